package sql

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/marcboeker/go-duckdb"
)

// A worker is the inner side of the fence: it owns DuckDB and answers one question at a time.
type worker struct {
	config    Config
	db        *sql.DB
	functions map[string]bool
	layouts   *layouts
	bodies    map[string]map[string]any // of macros
}

// openWorker starts DuckDB, in memory.
func openWorker(c Config) (*worker, error) {
	// What SET would change for one connection only goes into the address. Without enable_object_cache: with it DuckDB puts the
	// statistics of all files together for each column asked, which takes longer than reading the footers again and grows with the
	// square of the files (BenchmarkSmallFiles).
	options := url.Values{
		"autoinstall_known_extensions": {"false"},
		"autoload_known_extensions":    {"false"},
		"allow_community_extensions":   {"false"},
		"allow_persistent_secrets":     {"false"},
		"memory_limit":                 {c.MemoryLimit},
		"threads":                      {strconv.Itoa(c.Threads)},
		"temp_directory":               {c.TempDir},
	}
	connector, err := duckdb.NewConnector(":memory:?"+options.Encode(), nil)
	if err != nil {
		return nil, fmt.Errorf("sql: open duckdb: %w", err)
	}
	w := &worker{config: c, db: sql.OpenDB(connector), functions: functions(), layouts: newLayouts(), bodies: map[string]map[string]any{}}
	w.db.SetMaxIdleConns(-1) // a connection ends with its query, and its TEMP objects with it
	if err := w.register(); err != nil {
		w.db.Close()
		return nil, err
	}
	return w, nil
}

func (w *worker) close() error { return w.db.Close() }

// clock makes now() and current_timestamp a UTC TIMESTAMP like read_at. The built-in ones have a zone, and
// without ICU nothing can be reckoned with that: not even now() - INTERVAL 7 DAY.
const clock = `
CREATE MACRO now() AS transaction_timestamp()::TIMESTAMP;
CREATE MACRO get_current_timestamp() AS transaction_timestamp()::TIMESTAMP;
CREATE MACRO current_localtimestamp() AS transaction_timestamp()::TIMESTAMP;`

// register adds our functions. They are seen by every later connection.
func (w *worker) register() error {
	ctx := context.Background()
	conn, err := w.db.Conn(ctx)
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
	// The size does not hold when it comes with the address. The lock is for every connection, and the last.
	if _, err := conn.ExecContext(ctx, "SET max_temp_directory_size = "+quote(w.config.TempSize)+"; SET lock_configuration = true"); err != nil {
		return fmt.Errorf("sql: settings: %w", err)
	}
	return nil
}

// run answers one question over a pin of its own.
func (w *worker) run(ctx context.Context, src Source, q question, to *arrowOut) (sum Summary, err error) {
	start := time.Now()
	conn, err := w.db.Conn(ctx)
	if err != nil {
		return sum, fmt.Errorf("sql: connect: %w", err)
	}
	defer conn.Close()

	if err := w.settle(ctx, conn, &q, &sum); err != nil {
		return sum, err
	}
	st, err := w.judge(ctx, conn, q.Query)
	if err != nil {
		return sum, err
	}
	if st.list {
		return sum, listViews(to)
	}
	if len(st.views) > 0 {
		snap, err := src.Pin(ctx, slices.Sorted(maps.Keys(st.views)))
		if err != nil {
			return sum, fmt.Errorf("sql: pin: %w", err)
		}
		defer snap.Release()
		if sum.Snapshots, err = w.makeViews(ctx, conn, snap, st.needs); err != nil {
			return sum, err
		}
		if err := makeMacros(ctx, conn, st.macros); err != nil {
			return sum, err
		}
	}
	if st.about {
		if err := describeViews(ctx, conn, st.views); err != nil {
			return sum, err
		}
	}
	sum.Rows, sum.Truncated, err = w.answer(ctx, conn, st, q, to)
	sum.Elapsed = time.Since(start)
	return sum, err
}

// settle writes the parameters into the text; where only the shape is asked for, as NULLs.
func (w *worker) settle(ctx context.Context, conn *sql.Conn, q *question, sum *Summary) (err error) {
	if q.Shape {
		sum.Params, q.Query, err = shape(ctx, conn, q.Query)
		return err
	}
	given, err := q.given()
	if err == nil {
		q.Query, err = fillIn(q.Query, given)
	}
	return err
}
