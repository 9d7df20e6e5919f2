package sql

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
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
	e := &Engine{config: c, log: log, db: sql.OpenDB(connector), functions: functions(), turns: make(chan struct{}, c.Parallel)}
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

// makeViews makes the mentioned views on a connection, over a pinned snapshot.
func (e *Engine) makeViews(ctx context.Context, conn *sql.Conn, snap Snapshot, n needs) ([]Pinned, error) {
	var pinned []Pinned
	tables := snap.Tables()
	lake := slices.ContainsFunc(lakeViews, func(name string) bool { return n.views[name] })
	resolve := lake && (n.unit || len(n.only) > 0)
	for _, v := range dictionary() {
		if !n.views[v.Name] && v.Name == "units" {
			v.Columns = v.Columns[:3] // unit, vin and device are enough to resolve by
		}
		if !v.lake && (n.views[v.Name] || v.Name == "units" && resolve) {
			rows, err := snap.Small(ctx, v.Name)
			if err != nil {
				return nil, fmt.Errorf("sql: table %s: %w", v.Name, err)
			}
			if err := v.load(ctx, conn, rows); err != nil {
				return nil, err
			}
		}
	}
	if resolve {
		if _, err := conn.ExecContext(ctx, roster); err != nil {
			return nil, fmt.Errorf("sql: roster: %w", err)
		}
	}
	for _, v := range dictionary() {
		if !n.views[v.Name] {
			continue
		}
		f := fill{Rows: "small_" + v.Name}
		if v.lake {
			f = noRosterFill
			if resolve {
				f = rosterFill
			}
			t := Table{Name: v.Name}
			if i := slices.IndexFunc(tables, func(t Table) bool { return t.Name == v.Name }); i >= 0 {
				t = tables[i]
			}
			if t.SnapshotID != 0 { // else it never had a row
				pinned = append(pinned, Pinned{t.Name, t.SnapshotID, t.CommittedAt})
			}
			var m *match
			var err error
			if units, ok := n.only[v.Name]; ok {
				if m, err = matching(ctx, conn, units); err != nil {
					return nil, fmt.Errorf("sql: roster: %w", err)
				}
			}
			if f.Rows, err = v.rows(t, m); err != nil {
				return nil, err
			}
		}
		text, err := v.create(f)
		if err != nil {
			return nil, err
		}
		if _, err := conn.ExecContext(ctx, text); err != nil {
			return nil, fmt.Errorf("sql: view %s: %w", v.Name, err)
		}
	}
	return pinned, nil
}

// answer runs a judged statement and passes up to most rows to the sink. What is put before the text of
// the query ends in a line end, so that explain can tell the place of an error in the text as written.
func (e *Engine) answer(ctx context.Context, conn *sql.Conn, st *statement, to Sink, most int) (n int, more bool, err error) {
	text, names := st.text, []string(nil)
	switch {
	case st.explain != "":
		text, to = st.explain+"\n"+st.text, &planLines{to: to}
	case st.show:
		text = "\n" + st.text
	case st.limited: // a second LIMIT needs a subquery, and that renames repeated columns
		if names, err = e.names(ctx, conn, st.text); err != nil {
			return 0, false, err
		}
		text = fmt.Sprintf("SELECT * FROM (\n%s\n) LIMIT %d", st.text, most+1)
	default:
		text = fmt.Sprintf("(\n%s\n) LIMIT %d", st.text, most+1)
	}
	rows, err := conn.QueryContext(ctx, text)
	if err != nil {
		return 0, false, e.explain(ctx, err)
	}
	defer rows.Close()
	columns, err := columnsOf(rows, names)
	if err != nil {
		return 0, false, fmt.Errorf("sql: columns: %w", err)
	}
	if err := to.Columns(columns); err != nil {
		return 0, false, err
	}
	values, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	for rows.Next() {
		if n == most {
			return n, true, nil
		}
		if err := rows.Scan(into...); err != nil {
			return n, false, fmt.Errorf("sql: row %d: %w", n+1, err)
		}
		for i, c := range columns {
			values[i] = plain(values[i], c.Type)
		}
		if err := to.Row(values); err != nil {
			return n, false, err
		}
		n++
	}
	return n, false, e.explain(ctx, rows.Err())
}

// names are the column names of a query as it was written.
func (e *Engine) names(ctx context.Context, conn *sql.Conn, query string) ([]string, error) {
	rows, err := conn.QueryContext(ctx, "DESCRIBE\n"+query)
	if err != nil {
		return nil, e.explain(ctx, err)
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		var rest [5]any
		if err := rows.Scan(&name, &rest[0], &rest[1], &rest[2], &rest[3], &rest[4]); err != nil {
			return nil, fmt.Errorf("sql: columns: %w", err)
		}
		names = append(names, name)
	}
	return names, e.explain(ctx, rows.Err())
}

// listViews answers SHOW TABLES from the dictionary.
func listViews(to Sink) error {
	if err := to.Columns([]Column{{"name", "VARCHAR"}, {"meaning", "VARCHAR"}}); err != nil {
		return err
	}
	for _, v := range dictionary() {
		if err := to.Row([]any{v.Name, v.Meaning}); err != nil {
			return err
		}
	}
	return nil
}
