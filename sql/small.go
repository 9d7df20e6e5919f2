package sql

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/marcboeker/go-duckdb"
)

// load copies a small table into a TEMP table small_<name>, with the columns of v, or those of them that
// v was cut down to.
func (v View) load(ctx context.Context, conn *sql.Conn, in Rows) error {
	var defs []string
	for _, c := range v.Columns {
		defs = append(defs, ident(c.Name)+" "+c.Type)
	}
	table := "small_" + v.Name
	if _, err := conn.ExecContext(ctx, "CREATE TEMP TABLE "+table+" ("+strings.Join(defs, ", ")+")"); err != nil {
		return fmt.Errorf("sql: table %s: %w", v.Name, err)
	}
	from := make([]int, len(v.Columns)) // position in the given row, -1 = not given
	for i, c := range v.Columns {
		from[i] = slices.Index(in.Columns, c.Name)
	}
	whole, _ := lookup(v.Name)
	for _, name := range in.Columns {
		if !slices.ContainsFunc(whole.Columns, func(c ViewColumn) bool { return c.Name == name }) {
			return fmt.Errorf("sql: table %s: column %q is not in the dictionary", v.Name, name)
		}
	}
	if in.Rows == nil {
		return nil
	}
	return conn.Raw(func(dc any) (err error) {
		app, err := duckdb.NewAppenderFromConn(dc.(driver.Conn), "", table)
		if err != nil {
			return fmt.Errorf("sql: table %s: %w", v.Name, err)
		}
		defer func() {
			if e := app.Close(); e != nil && err == nil {
				err = fmt.Errorf("sql: table %s: %w", v.Name, e)
			}
		}()
		n := 0
		row := make([]driver.Value, len(v.Columns))
		for given := range in.Rows {
			if n++; n%4096 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			if len(given) != len(in.Columns) {
				return fmt.Errorf("sql: table %s: row %d has %d values: want %d", v.Name, n, len(given), len(in.Columns))
			}
			for i, c := range v.Columns {
				row[i] = nil
				if from[i] < 0 {
					continue
				}
				if row[i], err = fit(given[from[i]], c.Type); err != nil {
					return fmt.Errorf("sql: table %s: row %d: column %s: %w", v.Name, n, c.Name, err)
				}
			}
			if err := app.AppendRow(row...); err != nil {
				return fmt.Errorf("sql: table %s: row %d: %w", v.Name, n, err)
			}
		}
		if in.Err != nil {
			if err := in.Err(); err != nil {
				return fmt.Errorf("sql: table %s: after %d rows: %w", v.Name, n, err)
			}
		}
		return nil
	})
}

// fit turns a given value into the Go type that the column takes; absent ones become NULL.
func fit(v any, kind string) (driver.Value, error) {
	switch x := v.(type) {
	case nil:
		return nil, nil
	case string:
		if kind == "VARCHAR" {
			return x, nil
		}
	case bool:
		if kind == "BOOLEAN" {
			return x, nil
		}
	case int:
		return fit(int64(x), kind)
	case int64:
		switch {
		case kind == "BIGINT":
			return x, nil
		case kind == "INTEGER" && x >= math.MinInt32 && x <= math.MaxInt32:
			return int32(x), nil
		case kind == "DOUBLE":
			return float64(x), nil
		}
	case float64:
		if math.IsNaN(x) {
			return nil, nil
		}
		if kind == "DOUBLE" {
			return x, nil
		}
	case time.Time:
		if x.IsZero() {
			return nil, nil
		}
		if kind == "TIMESTAMP" || kind == "DATE" {
			return x.UTC(), nil
		}
	case []string:
		if kind == "VARCHAR[]" {
			return x, nil
		}
	}
	return nil, fmt.Errorf("%T %v does not fit %s", v, v, kind)
}
