package sql

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
)

// What the dictionary says of a view and its columns is also its COMMENT in the session: duckdb_views() and
// duckdb_columns() give it to whoever looks there, word for word as the page and Flight SQL do. Both
// functions are covered by macros of the same name that show our views and nothing beneath them.

// Comment is what the dictionary says of a view.
func (v View) Comment() string { return v.Meaning + " | since: " + v.Since }

// Comment is what the dictionary says of a column, all parts of it.
func (c ViewColumn) Comment() string {
	unit := c.Unit
	if unit == "" {
		unit = "none"
	}
	return c.Meaning + " | unit: " + unit + " | null: " + c.NullRule + " | since: " + c.Since
}

// catalogFunctions may stand in FROM, without arguments.
var catalogFunctions = []string{"duckdb_columns", "duckdb_views"}

// catalog leaves of what DuckDB lists our views. The text of a view names files, which is nobody's business.
func catalog() string {
	mine := " WHERE NOT internal AND database_name = 'temp' AND %s IN (" + quotes(viewNames) + ");"
	return "CREATE TEMP MACRO duckdb_columns() AS TABLE SELECT * FROM system.main.duckdb_columns()" + fmt.Sprintf(mine, "table_name") +
		"CREATE TEMP MACRO duckdb_views() AS TABLE SELECT * REPLACE (NULL::VARCHAR AS sql) FROM system.main.duckdb_views()" + fmt.Sprintf(mine, "view_name")
}

// describeViews makes the views that a statement does not read, without rows, and puts a comment on every one.
func describeViews(ctx context.Context, conn *sql.Conn, made map[string]bool) error {
	var b strings.Builder
	b.WriteString(catalog())
	for _, v := range dictionary() {
		if !made[v.Name] {
			text, err := v.create(v.empty())
			if err != nil {
				return err
			}
			b.WriteString(text + ";")
		}
		fmt.Fprintf(&b, "COMMENT ON VIEW %s IS %s;", v.Name, quote(v.Comment()))
		for _, c := range v.Columns {
			fmt.Fprintf(&b, "COMMENT ON COLUMN %s.%s IS %s;", v.Name, ident(c.Name), quote(c.Comment()))
		}
	}
	if _, err := conn.ExecContext(ctx, b.String()); err != nil {
		return fmt.Errorf("sql: comments: %w", err)
	}
	return nil
}

// empty fills a view with no rows.
func (v View) empty() fill {
	f := noRosterFill
	columns := v.wanted()
	if !v.lake && !slices.ContainsFunc(columns, func(c [2]string) bool { return c[0] == "unit" }) {
		columns = append(columns, [2]string{"unit", "VARCHAR"})
	}
	var out []string
	for _, c := range columns {
		out = append(out, absent(c[0], c[1]))
	}
	f.Rows = "(SELECT " + strings.Join(out, ", ") + " WHERE false)"
	return f
}
