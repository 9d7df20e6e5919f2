package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// Config says when to flush. Zero values mean the defaults.
type Config struct {
	FlushRows  int           // rows of the lake that make a flush; default 200,000
	FlushEvery time.Duration // how long a report waits at most; default 2 s
	Readers    int           // that parse and decode at the same time; default one for each processor
	Catalogue  *obd.Catalogue
}

// Bounds of what is held between two flushes, beside the rows.
const (
	fetchMax   = 500         // reports of one fetch
	fetchBytes = 32 << 20    // of one fetch, going by the size of those before
	refusedMax = 16 << 20    // bytes of quarantine entries
	idleWait   = time.Second // one look at a quiet log
	dirtyWait  = 100 * time.Millisecond
	tryTimeout = 2 * time.Minute // one attempt to store
	pauseMin   = 200 * time.Millisecond
	pauseMax   = 10 * time.Second
)

// Lake is what the Consumer needs of the lake.
type Lake interface {
	Append(p *series.Poll, seq uint64)
	Commit(ctx context.Context, pos lake.Position) error
	Position() lake.Position
	Reports(ctx context.Context, yield func(id string, digest uint64) error) error
	Room() error
}

// A Consumer takes reports from the log to the lake.
type Consumer struct {
	// OnCommit is told of every poll once it is durable, in the order of the log, before Committed returns
	// for it, and of a commit without any. One goroutine at a time calls it; the polls hold until it returns, are not to
	// be changed, and their texts may be kept. May be nil; set it before Run.
	OnCommit func(ctx context.Context, polls []*series.Poll)

	broker  *broker.Broker
	lake    Lake
	roster  func() *fleet.Roster
	cfg     Config
	log     *slog.Logger
	metrics *metrics
	mark    mark
	idle    atomic.Bool
	held    atomic.Pointer[error] // why nothing is committed; nil = it is

	seen   seen
	stream string     // what the stream is called in the lake and the quarantine
	batch  batch      // what is taken
	flight chan error // the batch before, on its way into the lake; nil when there is none
	size   int        // running mean of the size of a report, in bytes

	build   func(*reader, *broker.Msg, *report.Report, *fleet.Roster, *obd.Catalogue) (*taken, *refused)
	readers []reader
}

// NewConsumer makes a Consumer. The lake is the Consumer's alone to append to while Run runs; roster is
// asked for each report.
func NewConsumer(b *broker.Broker, l Lake, roster func() *fleet.Roster, cfg Config, log *slog.Logger, reg prometheus.Registerer) *Consumer {
	if cfg.FlushRows == 0 {
		cfg.FlushRows = 200_000
	}
	if cfg.FlushEvery == 0 {
		cfg.FlushEvery = 2 * time.Second
	}
	if cfg.Readers == 0 {
		cfg.Readers = runtime.GOMAXPROCS(0)
	}
	c := &Consumer{
		broker: b, lake: l, roster: roster, cfg: cfg, log: log.With("stage", "ingest"), metrics: newMetrics(reg),
		size:  report.MaxBytes, // until something was seen
		build: build, readers: make([]reader, cfg.Readers),
	}
	for i := range c.readers {
		c.readers[i].decoder.Terse = true
	}
	if reg != nil {
		reg.MustRegister(newLag(c))
	}
	return c
}

// Run takes reports until ctx ends; then it flushes what it has, acknowledges it, and returns nil. It
// returns an error only where going on would be wrong: the lake or the log is not what it was. Run once.
func (c *Consumer) Run(ctx context.Context) (err error) {
	defer func() { c.mark.end(err) }()
	if err := c.seen.load(ctx, c.lake); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return fmt.Errorf("ingest: load what is stored: %w", err)
	}
	for pause := pauseMin; ; {
		err := c.remember(ctx)
		if err == nil {
			err = c.follow(ctx)
		}
		switch {
		case errors.Is(err, errUnreached) && ctx.Err() == nil:
			c.log.Warn("the log is asked again", "err", err)
			sleep(ctx, pause)
			pause = min(2*pause, pauseMax)
			continue
		case errors.Is(err, broker.ErrStreamReplaced):
			c.log.Warn("the report stream was deleted and made again; reading it from its start")
		case ctx.Err() != nil && (err == nil || errors.Is(err, context.Canceled) || errors.Is(err, errUnreached)):
			return nil
		case err != nil:
			return fmt.Errorf("ingest: %w", err)
		}
		pause = pauseMin
	}
}

// remember fills in what was refused, when that is not known yet.
func (c *Consumer) remember(ctx context.Context) error {
	if c.seen.refused != nil {
		return nil
	}
	if err := c.seen.loadRefused(ctx, c.broker); err != nil {
		return fmt.Errorf("%w: %w", errUnreached, err)
	}
	c.log.Info("ready", "reports", len(c.seen.reports), "refused", len(c.seen.refused), "committed", c.lake.Position().Seq)
	return nil
}

// errUnreached is a log that does not answer before anything of it was read.
var errUnreached = errors.New("the log does not answer")

// follow reads one incarnation of the stream, from behind what the lake has of it.
func (c *Consumer) follow(ctx context.Context) (err error) {
	id, last, err := c.broker.Stream(ctx)
	if err != nil {
		return fmt.Errorf("%w: %w", errUnreached, err)
	}
	at, moved := resume(c.lake.Position(), id, last)
	if moved { // before anything new can take a sequence that the lake has seen under the old name
		c.log.Error("the log ends before what the lake has of it: it was put back to an older copy; what is stored stays, reading goes on at its end",
			"log", last, "lake", c.lake.Position().Seq)
		if err := c.insist(ctx, "commit", func(ctx context.Context) error { return c.lake.Commit(ctx, at) }); err != nil {
			return err
		}
	}
	after := at.Seq
	p, err := c.broker.Pull(ctx, after)
	if err != nil {
		return fmt.Errorf("%w: %w", errUnreached, err)
	}
	if p.Stream() != id {
		return broker.ErrStreamReplaced
	}
	c.stream = at.Stream
	c.batch = batch{last: after}
	c.mark.rise(after)
	if err := c.skip(ctx); err != nil {
		return fmt.Errorf("%w: %w", errUnreached, err)
	}
	if err := c.broker.MakeRoom(ctx, after); err != nil && ctx.Err() == nil {
		c.log.Warn("the log may fill up", "err", err)
	}
	ahead := c.fetch(ctx, p, c.wait())
	defer func() {
		if ahead != nil {
			<-ahead // what it brings is not acknowledged and comes again
		}
		err = errors.Join(err, c.landed())
	}()
	pause := pauseMin
	for ctx.Err() == nil {
		got := <-ahead
		ahead = nil
		msgs, err := got.msgs, got.err
		if err != nil && ctx.Err() == nil {
			if errors.Is(err, broker.ErrStreamReplaced) {
				return errors.Join(c.flush(ctx, p), err)
			}
			c.log.Warn("fetch is tried again", "err", err)
			if !sleep(ctx, pause) {
				break
			}
			pause = min(2*pause, pauseMax)
			ahead = c.fetch(ctx, p, c.wait())
			continue
		}
		pause = pauseMin
		if len(msgs) > 0 {
			ahead = c.fetch(ctx, p, dirtyWait)
		}
		prepared := c.prepare(msgs)
		for i := range msgs {
			c.size += (len(msgs[i].Data) - c.size) / 16
			c.take(&msgs[i], &prepared[i])
			if c.batch.full(&c.cfg) {
				if err := c.flush(ctx, p); err != nil {
					return err
				}
			}
		}
		wanted := c.mark.wanted()
		switch {
		case len(msgs) > 0:
			c.idle.Store(false)
			c.metrics.pending.Set(float64(msgs[len(msgs)-1].Pending))
		case ctx.Err() == nil:
			c.metrics.pending.Set(0)
			if wanted { // perhaps for reports that have left the log
				if err := c.skip(ctx); err != nil && ctx.Err() == nil {
					c.log.Warn("look at the log", "err", err)
				}
			}
		}
		free, err := c.free()
		if err != nil {
			return err
		}
		if free && c.due(wanted && len(msgs) == 0) {
			if err := c.flush(ctx, p); err != nil {
				return err
			}
		}
		if len(msgs) == 0 && c.batch.first.IsZero() && c.flight == nil {
			c.idle.Store(true)
		}
		if ahead == nil {
			ahead = c.fetch(ctx, p, c.wait())
		}
	}
	return c.flush(ctx, p)
}

type fetched struct {
	msgs []broker.Msg
	err  error
}

// fetch looks at the log while the reports of the fetch before are read. One fetch is ahead and no more.
func (c *Consumer) fetch(ctx context.Context, p *broker.Puller, wait time.Duration) chan fetched {
	ch, n := make(chan fetched, 1), c.room()
	go func() {
		msgs, err := p.Fetch(ctx, n, wait)
		ch <- fetched{msgs, err}
	}()
	return ch
}

// resume gives the place to go on from, in the stream with this id and newest sequence, for a lake that
// stands at pos. A log that was put back to an older copy gives out sequences a second time; from then on
// it goes by another name (moved), so that they are not taken for those the lake has.
func resume(pos lake.Position, id string, last uint64) (at lake.Position, moved bool) {
	name, turn, _ := strings.Cut(pos.Stream, "~")
	if name != id {
		return lake.Position{Stream: id}, false
	}
	if pos.Seq <= last {
		return pos, false
	}
	n, _ := strconv.Atoi(turn)
	return lake.Position{Stream: fmt.Sprintf("%s~%d", id, n+1), Seq: last}, true
}

// room is how many reports the next fetch may bring.
func (c *Consumer) room() int { return min(max(fetchBytes/max(c.size, 1), 16), fetchMax) }

// wait is how long the next look at the log may take.
func (c *Consumer) wait() time.Duration {
	if c.batch.first.IsZero() && c.flight == nil && !c.mark.wanted() {
		return idleWait
	}
	return dirtyWait
}

// due says whether to flush: the oldest report has waited long enough, or somebody waits and the log has
// nothing more.
func (c *Consumer) due(now bool) bool {
	return !c.batch.first.IsZero() && (now || time.Since(c.batch.first) >= c.cfg.FlushEvery)
}

// skip counts reports that left the log by age before they were read as done: they will not come.
func (c *Consumer) skip(ctx context.Context) error {
	oldest, err := c.broker.Oldest(ctx)
	if err != nil || oldest <= c.batch.last+1 {
		return err
	}
	c.log.Error("reports left the log by age before they were read", "from", c.batch.last+1, "to", oldest-1)
	c.batch.last = oldest - 1
	if c.batch.first.IsZero() {
		c.batch.first = time.Now()
	}
	return nil
}

// take handles one report.
func (c *Consumer) take(m *broker.Msg, d *ready) {
	b := &c.batch
	b.last = m.Seq
	if b.first.IsZero() {
		b.first = time.Now()
	}
	no := d.no
	if m.Replay != "" {
		b.replayed = append(b.replayed, m.Replay)
	}
	tell := func(kept, reason string) {
		if !m.Received.IsZero() || m.Replay != "" { // no dongle waits for it
			return
		}
		out := receipt{device: m.Device, Receipt: broker.Receipt{ID: d.id, Kept: kept, Reason: reason}}
		b.receipts = append(b.receipts, out)
	}
	if had, known := c.seen.reports[d.key]; known && d.read {
		if had == d.digest {
			c.metrics.duplicate()
			tell("duplicate", "")
			return
		}
		no = &refused{ConflictingContent, fmt.Sprintf("report %q is stored with other content; the first one stays", d.id)}
	}
	if no == nil {
		c.seen.reports[d.key] = d.digest
		c.add(d.taken, m)
		tell("stored", "")
		return
	}
	e := broker.Entry{Stream: c.stream, Seq: m.Seq, Message: broker.WholeReport, Device: m.Device,
		ReportID: d.id, Reason: string(no.reason), Detail: no.detail, At: m.BrokerTime, Raw: m.Data}
	tell("quarantined", e.Reason)
	if _, had := c.seen.refused[refusal(&e)]; had && m.Replay == "" {
		c.metrics.duplicate()
		return
	}
	c.seen.refused[refusal(&e)] = struct{}{}
	c.metrics.reports.WithLabelValues("quarantined").Inc()
	c.metrics.counts.refused.Add(1)
	c.quarantine(e)
}

// survive builds the poll of a report. One that no code of ours stands is poison: it would stop all behind
// it again and again, so it goes to the quarantine like any other that cannot be read.
func (c *Consumer) survive(with *reader, m *broker.Msg, r *report.Report) (t *taken, no *refused) {
	defer func() {
		if p := recover(); p != nil {
			with.decoder = obd.Decoder{Terse: true} // whatever it was in the middle of
			c.log.Error("a fault of this program, not of the report; it is kept in the quarantine", "report", r.ID, "device", m.Device, "panic", p, "stack", string(debug.Stack()))
			t, no = nil, &refused{Poison, fmt.Sprintf("reading it failed: %v", p)}
		}
	}()
	return c.build(with, m, r, c.roster(), c.cfg.Catalogue)
}

func (c *Consumer) add(t *taken, m *broker.Msg) {
	for _, e := range t.bad {
		e.Stream = c.stream
		c.quarantine(e)
	}
	if !t.poll.ClockOK {
		c.metrics.wrongClock.Inc()
	}
	if !t.known {
		c.metrics.unknown.Inc()
	}
	if !t.checkDigit {
		c.metrics.checkDigit.Inc()
		c.log.Debug("VIN fails its check digit; kept", "report", t.poll.ReportID, "device", t.poll.Device)
	}
	c.lake.Append(t.poll, m.Seq)
	c.batch.polls = append(c.batch.polls, t.poll)
	c.batch.shelves = append(c.batch.shelves, t.shelf)
	c.batch.rows += 1 + len(t.poll.Results) + len(t.poll.Codes)
}

func (c *Consumer) quarantine(e broker.Entry) {
	c.batch.entries = append(c.batch.entries, e)
	c.batch.bytes += len(e.Raw) + len(e.Detail)
}
