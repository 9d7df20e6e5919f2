package broker

import (
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// embed starts a server in this process. Every write is synced before it is acknowledged, unless cfg.lazy.
func embed(cfg Config, g *gate, log *slog.Logger) (_ *server.Server, mqtt string, err error) {
	if cfg.Dir == "" {
		return nil, "", fmt.Errorf("broker: the embedded server needs a folder")
	}
	o := &server.Options{
		ServerName: "marginline", JetStream: true, StoreDir: cfg.Dir, SyncAlways: !cfg.lazy,
		DontListen: true, NoSigs: true, MaxPayload: maxPayload, JetStreamMaxMemory: maxMemory, JetStreamMaxStore: maxStore,
		CustomClientAuthentication: g, AlwaysEnableNonce: true, StreamMaxBufferedMsgs: queued,
	}
	if cfg.TLS != nil {
		o.TLSConfig, o.TLS, o.TLSTimeout = secure(cfg.TLS), true, startTimeout.Seconds()
	}
	if cfg.Listen != "" {
		if o.Host, o.Port, err = address(cfg.Listen); err != nil {
			return nil, "", fmt.Errorf("broker: listen: %w", err)
		}
		o.DontListen = false
	}
	if cfg.MQTT != "" {
		if o.MQTT.Host, o.MQTT.Port, err = address(cfg.MQTT); err != nil {
			return nil, "", fmt.Errorf("broker: mqtt: %w", err)
		}
		o.MQTT.TLSConfig, o.MQTT.TLSTimeout = secure(cfg.TLS), startTimeout.Seconds()
	}
	if err := cfg.Cluster.join(o); err != nil {
		return nil, "", err
	}
	for _, at := range [][2]string{{"listen", cfg.Listen}, {"mqtt", cfg.MQTT}, {"cluster: listen", cfg.Cluster.Listen}} {
		if err := taken(at[1]); err != nil {
			return nil, "", fmt.Errorf("broker: %s: %w", at[0], err)
		}
	}
	s, err := server.NewServer(o)
	if err != nil {
		return nil, "", fmt.Errorf("broker: %w", err)
	}
	s.SetLoggerV2(quiet{log, &sync.Map{}}, false, false, false)
	s.Start()
	if !s.ReadyForConnections(startTimeout) {
		s.Shutdown()
		s.WaitForShutdown()
		return nil, "", fmt.Errorf("broker: the embedded server was not ready within %v; is %s writable and used by nobody else?", startTimeout, cfg.Dir)
	}
	if err := g.open(s); err != nil {
		s.Shutdown()
		s.WaitForShutdown()
		return nil, "", err
	}
	if cfg.MQTT != "" { // the server has put the port that it chose into its options
		mqtt = net.JoinHostPort(o.MQTT.Host, strconv.Itoa(o.MQTT.Port))
	}
	return s, mqtt, nil
}

// address reads host:port; port 0 lets the system choose.
func address(s string) (host string, port int, err error) {
	host, digits, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, err
	}
	n, err := strconv.ParseUint(digits, 10, 16)
	if err != nil {
		return "", 0, fmt.Errorf("%q is not a port", digits)
	}
	if n == 0 {
		return host, server.RANDOM_PORT, nil
	}
	return host, int(n), nil
}

// quiet passes the server's log on. Its notices are start-up chatter, so they are ours at debug level; an error that comes
// again and again, as of a node that is down, is an error once a minute and
// at debug level in between.
type quiet struct {
	log  *slog.Logger
	told *sync.Map // format of an error -> when it was told last
}

func (q quiet) Errorf(f string, v ...any) {
	if last, had := q.told.Swap(f, time.Now()); had && time.Since(last.(time.Time)) < time.Minute {
		q.told.Store(f, last)
		q.log.Debug(fmt.Sprintf(f, v...))
		return
	}
	q.log.Error(fmt.Sprintf(f, v...))
}

func (q quiet) Noticef(f string, v ...any) { q.log.Debug(fmt.Sprintf(f, v...)) }
func (q quiet) Warnf(f string, v ...any)   { q.log.Warn(fmt.Sprintf(f, v...)) }
func (q quiet) Fatalf(f string, v ...any)  { q.log.Error(fmt.Sprintf(f, v...)) }
func (q quiet) Debugf(f string, v ...any)  { q.log.Debug(fmt.Sprintf(f, v...)) }
func (q quiet) Tracef(f string, v ...any)  { q.log.Debug(fmt.Sprintf(f, v...)) }

// taken says why nobody can listen on an address: the server would say it in its log alone, and be waited for in vain.
func taken(addr string) error {
	if addr == "" {
		return nil
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return err
	}
	return l.Close()
}
