package sql

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"

	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/marcboeker/go-duckdb"
)

// answer runs a judged statement and writes up to q.Rows rows. What is put before the text of the query
// ends in a line end, so that explain can tell the place of an error in the text as written.
func (w *worker) answer(ctx context.Context, conn *sql.Conn, st *statement, q question, to *arrowOut) (n int64, more bool, err error) {
	var text string
	var as []Column
	small := st.limited && st.most >= 0 && st.most <= q.Rows // its own LIMIT is enough
	if plain := st.explain == "" && !st.show; plain && (q.Shape || st.limited && !small || st.json) {
		if as, err = w.describe(ctx, conn, st.text); err != nil {
			return 0, false, err
		}
	}
	switch {
	case st.explain != "":
		text = st.explain + "\n" + st.text
	case st.show:
		text = "\n" + st.text
	case q.Shape:
		text = fmt.Sprintf("SELECT * FROM (\n%s\n) LIMIT 0", st.text)
	case small:
		text = "\n" + st.text
	case st.limited: // a second LIMIT needs a subquery, and that renames repeated columns
		text = fmt.Sprintf("SELECT * FROM (\n%s\n) LIMIT %d", st.text, q.Rows+1)
	default:
		text = fmt.Sprintf("(\n%s\n) LIMIT %d", st.text, q.Rows+1)
	}
	in, err := w.query(ctx, conn, text)
	if err != nil {
		return 0, false, w.explain(err)
	}
	defer in.Release()
	if st.explain != "" {
		n, err = to.plan(in)
		return n, false, err
	}
	n, more, err = to.pour(in, as, int64(q.Rows))
	return n, more, w.explain(err)
}

// query runs a text through DuckDB's Arrow interface: no value is boxed on its way out.
func (w *worker) query(ctx context.Context, conn *sql.Conn, text string) (in array.RecordReader, err error) {
	err = conn.Raw(func(dc any) error {
		a, err := duckdb.NewArrowFromConn(dc.(driver.Conn))
		if err != nil {
			return err
		}
		in, err = a.QueryContext(ctx, text)
		return err
	})
	return in, err
}

// describe gives the columns of a query as it was written.
func (w *worker) describe(ctx context.Context, conn *sql.Conn, query string) ([]Column, error) {
	rows, err := conn.QueryContext(ctx, "DESCRIBE\n"+query)
	if err != nil {
		return nil, w.explain(err)
	}
	defer rows.Close()
	var out []Column
	for rows.Next() {
		var c Column
		var rest [4]any
		if err := rows.Scan(&c.Name, &c.Type, &rest[0], &rest[1], &rest[2], &rest[3]); err != nil {
			return nil, fmt.Errorf("sql: columns: %w", err)
		}
		out = append(out, c)
	}
	return out, w.explain(rows.Err())
}
