package sql

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"net/url"
	"strconv"
	"time"

	"github.com/marcboeker/go-duckdb"
)

// An Engine runs queries. Its methods may be called at the same time.
type Engine struct {
	config    Config
	log       *slog.Logger
	db        *sql.DB
	functions map[string]bool
	layouts   *layouts
	turns     chan struct{}
}

// Open starts DuckDB, in memory. It lives until Close.
func Open(c Config, log *slog.Logger) (*Engine, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.orDefault()
	// Options go into the address: a SET would hold on one connection only, and the lock comes with them.
	options := url.Values{
		"autoinstall_known_extensions": {"false"},
		"autoload_known_extensions":    {"false"},
		"allow_community_extensions":   {"false"},
		"memory_limit":                 {c.MemoryLimit},
		"threads":                      {strconv.Itoa(c.Threads)},
		"temp_directory":               {c.TempDir},
		"lock_configuration":           {"true"},
	}
	connector, err := duckdb.NewConnector(":memory:?"+options.Encode(), nil)
	if err != nil {
		return nil, fmt.Errorf("sql: open duckdb: %w", err)
	}
	e := &Engine{config: c, log: log, db: sql.OpenDB(connector), functions: functions(), layouts: newLayouts(), turns: make(chan struct{}, c.Parallel)}
	e.db.SetMaxIdleConns(-1) // a connection ends with its query, and its TEMP objects with it
	if err := e.register(); err != nil {
		e.db.Close()
		return nil, err
	}
	return e, nil
}

// Close ends DuckDB. Queries must have returned.
func (e *Engine) Close() error { return e.db.Close() }

// clock makes now() and current_timestamp a UTC TIMESTAMP like read_at. The built-in ones have a zone, and
// without ICU nothing can be reckoned with that: not even now() - INTERVAL 7 DAY.
const clock = `
CREATE MACRO now() AS transaction_timestamp()::TIMESTAMP;
CREATE MACRO get_current_timestamp() AS transaction_timestamp()::TIMESTAMP;
CREATE MACRO current_localtimestamp() AS transaction_timestamp()::TIMESTAMP;`

// register adds our functions. They are seen by every later connection.
func (e *Engine) register() error {
	ctx := context.Background()
	conn, err := e.db.Conn(ctx)
	if err != nil {
		return fmt.Errorf("sql: open duckdb: %w", err)
	}
	defer conn.Close()
	f, err := newLocalTime()
	if err != nil {
		return fmt.Errorf("sql: local_time: %w", err)
	}
	if err := duckdb.RegisterScalarUDF(conn, "local_time", f); err != nil {
		return fmt.Errorf("sql: local_time: %w", err)
	}
	if _, err := conn.ExecContext(ctx, clock); err != nil {
		return fmt.Errorf("sql: now: %w", err)
	}
	return nil
}

// Query runs one query over a pin of its own and keeps up to Config.MaxRows rows. A query that is wrong
// or refused gives an *Error; a context that ends gives its error.
func (e *Engine) Query(ctx context.Context, src Source, query string) (*Result, error) {
	r := &Result{}
	var err error
	if r.Summary, err = e.run(ctx, src, query, keeper{r}, e.config.MaxRows); err != nil {
		return nil, err
	}
	return r, nil
}

// Stream runs one query like Query and passes up to Config.MaxStream rows to the sink, none kept.
func (e *Engine) Stream(ctx context.Context, src Source, query string, to Sink) (Summary, error) {
	return e.run(ctx, src, query, to, e.config.MaxStream)
}

func (e *Engine) run(ctx context.Context, src Source, query string, to Sink, most int) (sum Summary, err error) {
	select {
	case e.turns <- struct{}{}:
		defer func() { <-e.turns }()
	case <-ctx.Done():
		return sum, ctx.Err()
	}
	start := time.Now()
	ctx, cancel := context.WithTimeoutCause(ctx, e.config.Timeout, errTooLong)
	defer cancel()
	conn, err := e.db.Conn(ctx)
	if err != nil {
		return sum, fmt.Errorf("sql: connect: %w", err)
	}
	defer conn.Close()

	st, err := e.judge(ctx, conn, query)
	if err != nil {
		return sum, e.stopped(ctx, err)
	}
	if st.list {
		return sum, listViews(to)
	}
	if len(st.views) > 0 {
		snap, err := src.Pin(ctx)
		if err != nil {
			return sum, fmt.Errorf("sql: pin: %w", err)
		}
		defer snap.Release()
		if sum.Snapshots, err = e.makeViews(ctx, conn, snap, st.needs); err != nil {
			return sum, e.stopped(ctx, err)
		}
	}
	n, more, err := e.answer(ctx, conn, st, to, most)
	sum.Truncated, sum.Elapsed = more, time.Since(start)
	if err != nil {
		return sum, err
	}
	e.log.Debug("query answered", "rows", n, "elapsed", sum.Elapsed, "truncated", more)
	return sum, nil
}

// stopped gives the reason where an error comes from the end of the context.
func (e *Engine) stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return e.explain(ctx, err)
	}
	return err
}
