package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Names on the wire.
const (
	Reports          = "OBD_REPORTS"
	Quarantine       = "OBD_QUARANTINE"
	ReportSubject    = "obd.reports."    // + device
	takenSubject     = "obd.taken."      // + device: reports that this service publishes with headers; no dongle may
	ReceiptSubject   = "obd.receipts."   // + device
	quarantinePrefix = "obd.quarantine." // + stream + sequence + message
	replayHeader     = "Obd-Replay"      // quarantine entry that the report comes from
	Alerts           = "MARGINLINE_ALERTS"
	AlertSubject     = "marginline.alerts." // + kind + unit
	ReceivedHeader   = "Obd-Received"       // RFC 3339: when an imported report was received, as far as can be told
)

// Config says where the log is. The zero value of every field but Dir is usable.
type Config struct {
	URL           string        // an external NATS with JetStream; "" = embedded
	Dir           string        // folder of the embedded server's files
	Listen        string        // host:port of the embedded server for dongles; "" = in process only
	MQTT          string        // host:port of its MQTT 3.1.1 listener; "" = none
	MaxAge        time.Duration // how long raw reports stay; 0 = 30 days
	MaxBytes      int64         // how much of them; 0 = as much as the disk holds
	Register      Register      // who dongles are, on the embedded server; nil = everybody who reaches it is served
	TLS           *tls.Config   // of its listeners; nil = none
	QuarantineAge time.Duration // how long quarantine entries stay; 0 = for ever
	AlertAge      time.Duration // how long published alerts stay; 0 = none are published
	Cluster       Cluster       // nodes that keep the log together

	lazy bool // nothing is synced before it is acknowledged
}

const (
	defaultAge   = 30 * 24 * time.Hour
	startTimeout = 30 * time.Second
	callTimeout  = 10 * time.Second
	maxPayload   = 2 << 20 // bytes of one message with its headers, on the embedded server
	maxMemory    = 64 << 20
	maxStore     = 1 << 60 // the server would take three quarters of what is free at the start, and not start on a full disk

	// dedupe is the server's window for Nats-Msg-Id, as short as it allows: the header is the sender's word, for the whole
	// stream, and a dongle must not be able to have another's report dropped by it. Reports are known by their id.
	dedupe = 100 * time.Millisecond
)

// A Broker is an open log. It is safe for concurrent use.
type Broker struct {
	server *server.Server // nil when external
	conn   *nats.Conn
	js     jetstream.JetStream
	log    *slog.Logger
	closed chan struct{} // closed when the connection is
	batch  bool          // the streams take atomic batches
	mqtt   string        // address of the MQTT listener
	gate   *gate         // nil when external
	watch  context.CancelFunc
	watchs sync.WaitGroup

	maxBytes int64 // of the report stream; 0 = no limit

	closing  sync.Once
	closeErr error
}

// Open starts the embedded server, or connects to the external one, and makes the streams where they are
// missing. Existing streams keep their reports; limits follow the configuration.
func Open(ctx context.Context, cfg Config, log *slog.Logger) (*Broker, error) {
	b, err := connect(cfg, log)
	if err != nil {
		return nil, err
	}
	if cfg.Cluster.on() {
		err = b.assemble(ctx, func(ctx context.Context) error { return b.streams(ctx, cfg) })
	} else {
		err = b.streams(ctx, cfg)
	}
	if err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// connect starts or finds the server and leaves its streams alone.
func connect(cfg Config, log *slog.Logger) (_ *Broker, err error) {
	b := &Broker{log: log.With("stage", "broker"), closed: make(chan struct{}), maxBytes: max(cfg.MaxBytes, 0)}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.Close())
		}
	}()
	url := cfg.URL
	options := []nats.Option{
		nats.Name("marginline"), nats.MaxReconnects(-1), nats.Timeout(callTimeout),
		nats.ClosedHandler(func(*nats.Conn) { close(b.closed) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { b.log.Warn("connection", "err", err) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				b.log.Warn("connection lost", "err", err)
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) { b.log.Info("connected again", "url", c.ConnectedUrlRedacted()) }),
	}
	if url == "" {
		b.gate = newGate(cfg.Register, b.log)
		if b.server, b.mqtt, err = embed(cfg, b.gate, b.log); err != nil {
			return nil, err
		}
		options = append(options, nats.InProcessServer(b.server), nats.UserInfo(ownUser, b.gate.secret))
		var ctx context.Context
		ctx, b.watch = context.WithCancel(context.Background())
		b.watchs.Go(func() { b.gate.watch(ctx, b.server) })
	}
	if b.conn, err = nats.Connect(url, options...); err != nil {
		return nil, fmt.Errorf("broker: connect to %s: %w", orEmbedded(url), err)
	}
	if b.js, err = jetstream.New(b.conn, jetstream.WithDefaultTimeout(callTimeout)); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return b, nil
}

func orEmbedded(url string) string {
	if url == "" {
		return "the embedded server"
	}
	return url
}

// streams makes or updates the streams.
func (b *Broker) streams(ctx context.Context, cfg Config) error {
	age := cfg.MaxAge
	if age == 0 {
		age = defaultAge
	}
	reports := jetstream.StreamConfig{
		Name: Reports, Description: "raw reports of dongles", Subjects: []string{ReportSubject + "*", takenSubject + "*"},
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew,
		MaxAge: age, MaxBytes: b.maxBytes, Duplicates: dedupe, AllowAtomicPublish: true,
		Replicas: cfg.Cluster.copies(),
	}
	held := jetstream.StreamConfig{
		Name: Quarantine, Description: "what could not be decoded, one entry a subject", Subjects: []string{quarantinePrefix + ">"},
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardOld,
		MaxAge: cfg.QuarantineAge, MaxMsgsPerSubject: 1, AllowAtomicPublish: true, AllowDirect: true,
		Replicas: cfg.Cluster.copies(),
	}
	list := []jetstream.StreamConfig{reports, held}
	if cfg.AlertAge > 0 {
		list = append(list, jetstream.StreamConfig{
			Name: Alerts, Description: "what happened to alerts, as CloudEvents", Subjects: []string{AlertSubject + ">"},
			Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardOld,
			MaxAge: cfg.AlertAge, MaxBytes: alertBytes, Duplicates: min(alertRepeats, cfg.AlertAge), AllowDirect: true,
			Replicas: cfg.Cluster.copies(),
		})
	}
	b.batch = true
	for _, s := range list {
		if there, err := b.js.Stream(ctx, s.Name); err == nil { // one out of a backup keeps its identity
			if id := there.CachedInfo().Config.Metadata[identityKey]; id != "" {
				s.Metadata = map[string]string{identityKey: id}
			}
		}
		_, err := b.js.CreateOrUpdateStream(ctx, s)
		if err != nil && b.server == nil { // an older external server knows no atomic batches
			b.batch, s.AllowAtomicPublish = false, false
			_, err = b.js.CreateOrUpdateStream(ctx, s)
		}
		if err != nil {
			return fmt.Errorf("broker: stream %s: %w", s.Name, err)
		}
	}
	return nil
}

// Close lets what is under way end, closes the connection, and stops the embedded server. It waits. What
// is called afterwards fails with the connection's error. Closing twice is harmless.
func (b *Broker) Close() error {
	b.closing.Do(func() {
		if b.conn != nil {
			if err := b.conn.Drain(); err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
				b.conn.Close() // it was not connected: there is nothing to wait for
			}
			select {
			case <-b.closed:
			case <-time.After(startTimeout):
				b.conn.Close()
				b.closeErr = errors.New("broker: the connection did not drain in time")
			}
		}
		if b.watch != nil {
			b.watch()
			b.watchs.Wait()
		}
		if b.server != nil {
			b.server.Shutdown()
			b.server.WaitForShutdown()
		}
	})
	return b.closeErr
}

// Stream names the report stream for good, as name@created, and gives the sequence of its newest report.
// A stream that was deleted and made again has another id; one out of a backup has that of its original.
func (b *Broker) Stream(ctx context.Context) (id string, lastSeq uint64, err error) {
	info, err := b.info(ctx, Reports)
	if err != nil {
		return "", 0, err
	}
	return streamID(info), info.State.LastSeq, nil
}

// Oldest is the sequence of the oldest report that the log still has; the next one to come when it has
// none. What is before it has left by age.
func (b *Broker) Oldest(ctx context.Context) (uint64, error) {
	info, err := b.info(ctx, Reports)
	if err != nil {
		return 0, err
	}
	if info.State.Msgs == 0 {
		return info.State.LastSeq + 1, nil
	}
	return info.State.FirstSeq, nil
}

func (b *Broker) info(ctx context.Context, name string) (*jetstream.StreamInfo, error) {
	s, err := b.js.Stream(ctx, name)
	if err != nil {
		return nil, fmt.Errorf("broker: stream %s: %w", name, err)
	}
	return s.CachedInfo(), nil
}

func streamID(info *jetstream.StreamInfo) string {
	if id := info.Config.Metadata[identityKey]; id != "" {
		return id
	}
	return info.Config.Name + "@" + info.Created.UTC().Format(time.RFC3339Nano)
}

// streamToken is a stream id as one token of a subject.
func streamToken(id string) string {
	h := fnv.New64a()
	h.Write([]byte(id))
	return strconv.FormatUint(h.Sum64(), 36)
}

// MQTTAddr is where dongles reach the MQTT listener of the embedded server; "" when it has none.
func (b *Broker) MQTTAddr() string { return b.mqtt }

// Addr is where dongles reach the embedded server; "" when it listens on no port or is not ours.
func (b *Broker) Addr() string {
	if b.server == nil || b.server.Addr() == nil {
		return ""
	}
	return b.server.Addr().String()
}
