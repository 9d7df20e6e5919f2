package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"golang.org/x/sync/errgroup"
	_ "modernc.org/sqlite" // the driver of the state database

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/analyze"
	"marginline/dashboards/people"
	"marginline/ingest"
	"marginline/ingest/broker"
	"marginline/ingest/enroll"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	query "marginline/sql"
)

// An app is every stage of one data folder, opened in the order of the pipeline and closed in reverse.
type app struct {
	cfg  config
	log  *slog.Logger
	reg  *prometheus.Registry
	cert *certificate

	lock     *os.File
	db       *sql.DB
	store    *fleet.Store
	roster   atomic.Pointer[fleet.Roster]
	book     *alerts.Book
	floor    *floor
	outbox   *delivery.Outbox
	boxes    []*delivery.Mailbox // who gets mail
	lake     *lake.Lake
	dongles  *enroll.Register
	broker   *broker.Broker
	lent     bool // the broker is not the app's to close
	consumer *ingest.Consumer
	watch    *watch
	engine   *query.Engine
	shelf    *query.Shelf
	people   *people.Register
	control  *control

	stop  context.CancelFunc // ends the consumer and the watch
	tasks *errgroup.Group
}

// openApp takes the data folder and opens every stage that keeps state. Nothing runs yet. The error wraps
// errOwned when another process has the folder.
func openApp(ctx context.Context, cfg config, log *slog.Logger) (*app, error) {
	return openNode(ctx, cfg, log, newCertificate(cfg, log), nil)
}

// openNode is openApp with the node's certificate, on a broker that is open and stays so; nil = the app has one of its own.
func openNode(ctx context.Context, cfg config, log *slog.Logger, cert *certificate, b *broker.Broker) (_ *app, err error) {
	a := &app{cfg: cfg, log: log, reg: prometheus.NewRegistry(), cert: cert, broker: b, lent: b != nil}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.close())
		}
	}()
	a.reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), leads(1))
	if a.lock, err = lockData(cfg.Data); err != nil {
		return nil, err
	}
	if err = checkFormat(cfg.Data, log); err != nil {
		return nil, err
	}
	if err = markCluster(cfg); err != nil {
		return nil, err
	}
	if a.db, err = openState(ctx, filepath.Join(cfg.Data, "state.db")); err != nil {
		return nil, err
	}
	if a.store, err = fleet.OpenStore(ctx, a.db); err != nil {
		return nil, err
	}
	roster, err := a.store.Load(ctx)
	if err != nil {
		return nil, err
	}
	a.roster.Store(roster)
	if a.people, err = people.Open(ctx, a.db, cfg.sessions(), log, a.reg); err != nil {
		return nil, err
	}
	if a.book, err = alerts.OpenBook(ctx, a.db, log, a.reg); err != nil {
		return nil, err
	}
	if a.floor, err = openFloor(ctx, a); err != nil {
		return nil, err
	}
	if a.lake, err = lake.Open(lakeDir(cfg), log, a.reg); err != nil {
		return nil, err
	}
	a.lake.SetFloor(cfg.floor())
	temp := filepath.Join(cfg.Data, "tmp")
	if err = os.MkdirAll(temp, 0o750); err != nil {
		return nil, err
	}
	if a.engine, err = query.Open(cfg.engine(temp), log); err != nil {
		return nil, err
	}
	if a.shelf, err = query.OpenShelf(ctx, a.db); err != nil {
		return nil, err
	}
	if err = a.openBroker(ctx); err != nil {
		return nil, err
	}
	cat, err := readCatalogue(cfg.Catalogue)
	if err != nil {
		return nil, err
	}
	rules, err := rulesOf(analyze.DefaultSettings(), cfg.Catalogue)
	if err != nil {
		return nil, err
	}
	a.watch = newWatch(a.lake, a.book, a.roster.Load, cat, rules, log)
	a.watch.floor = a.floor
	a.watch.runner.SetHappenings(a.floor.happenings)
	a.watch.drift.told = a.floor.happenings
	a.consumer = ingest.NewConsumer(a.broker, a.lake, a.roster.Load, ingest.Config{FlushRows: cfg.Flush.Rows, FlushEvery: cfg.Flush.Every, Catalogue: cat}, log, a.reg)
	a.consumer.OnCommit = a.watch.committed
	a.book.SetClock(a.now)
	return a, a.openOutbox(ctx) // last: it sends through the broker what the floor and the book tell
}

// openState opens the SQLite database that holds roster, alert book, work orders and people. Nobody but its owner reads
// the file; the files that SQLite makes beside it take its mode.
func openState(ctx context.Context, path string) (*sql.DB, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err == nil {
		err = errors.Join(f.Chmod(0o600), f.Close())
	}
	if err != nil {
		return nil, fmt.Errorf("state database: %w", err)
	}
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(5000)&_pragma=foreign_keys(ON)")
	if err != nil {
		return nil, fmt.Errorf("state database: %w", err)
	}
	db.SetMaxOpenConns(1) // one writer; SQLite allows no more, and the book's transactions are short
	if err := db.PingContext(ctx); err != nil {
		db.Close()
		return nil, fmt.Errorf("state database %s: %w", path, err)
	}
	return db, nil
}

// start lets the stages run, and what else should run beside them, and opens the control socket.
func (a *app) start(ctx context.Context, beside ...func(context.Context) error) error {
	ctx, a.stop = context.WithCancel(context.WithoutCancel(ctx))
	var gctx context.Context
	a.tasks, gctx = errgroup.WithContext(ctx)
	a.tasks.Go(func() error { return a.consumer.Run(gctx) })
	a.tasks.Go(func() error { return a.watch.run(gctx) })
	a.tasks.Go(func() error { return a.outbox.Run(gctx) })
	a.tasks.Go(func() error { return a.runDigests(gctx) })
	for _, run := range beside {
		a.tasks.Go(func() error { return run(gctx) })
	}
	var err error
	a.control, err = serveControl(a.cfg.Data, a.controlHandler())
	return err
}

// caughtUp waits until everything the log held on entry is committed.
func (a *app) caughtUp(ctx context.Context) error {
	_, last, err := a.broker.Stream(ctx)
	if err != nil {
		return err
	}
	return a.consumer.Committed(ctx, last)
}

// closeTimeout bounds how long the stages may take to end in good order.
const closeTimeout = 30 * time.Second

// close ends the stages in the reverse order of the pipeline: no new requests, then the consumer drains,
// flushes, commits and acknowledges, then the fold, then the stores. Everything is closed whatever fails.
func (a *app) close() error {
	ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
	defer cancel()
	var errs []error
	if a.control != nil {
		errs = append(errs, a.control.close(ctx))
	}
	if a.stop != nil {
		a.stop()
		if err := a.tasks.Wait(); err != nil && !errors.Is(err, context.Canceled) {
			errs = append(errs, err)
		}
	}
	if a.watch != nil {
		a.watch.beat(ctx) // what it cannot write is folded again at the next start
	}
	if a.broker != nil && !a.lent {
		errs = append(errs, a.broker.Close())
	}
	if a.engine != nil {
		errs = append(errs, a.engine.Close())
	}
	if a.lake != nil {
		errs = append(errs, a.lake.Close())
	}
	if a.db != nil {
		errs = append(errs, a.db.Close())
	}
	if a.lock != nil {
		errs = append(errs, a.lock.Close())
	}
	return errors.Join(errs...)
}

// setRoster stores a roster and folds every unit again under it: a unit that the roster gains has its
// stored readings, one that it loses has no alerts.
func (a *app) setRoster(ctx context.Context, r *fleet.Roster) error {
	if err := a.store.Save(ctx, r, time.Now()); err != nil {
		return err
	}
	before := a.roster.Swap(r)
	return a.watch.rebuild(ctx, before)
}

var _ analyze.History = (*lake.Lake)(nil)

// now is the clock while serving; else the newest good time of the readings, so that a history that ended
// last year is judged as of then.
func (a *app) now() time.Time {
	if !a.watch.serving.Load() {
		var newest time.Time
		for _, u := range a.watch.runner.Units() {
			if t := a.watch.runner.LastPoll(u); t.After(newest) {
				newest = t
			}
		}
		if !newest.IsZero() {
			return newest
		}
	}
	return time.Now()
}

func lakeDir(cfg config) string { return filepath.Join(cfg.Data, "lake") }
