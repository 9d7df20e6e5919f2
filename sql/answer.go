package sql

import (
	"context"
	"database/sql"
	"fmt"
)

// answer runs a judged statement and passes up to most rows to the sink. What is put before the text of
// the query ends in a line end, so that explain can tell the place of an error in the text as written.
func (e *Engine) answer(ctx context.Context, conn *sql.Conn, st *statement, to Sink, most int) (n int, more bool, err error) {
	var text string
	var names []string
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
