package sql

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// A layout is the columns of some Parquet files that agree in field ids, names and types. Files of one
// table differ where a column came, was renamed or was widened between them.
type layout struct {
	files   []File
	columns []stored
}

// A stored column: its field id, and its name and physical type in the file.
type stored struct {
	id         int
	name, kind string
}

// physical is Parquet's type of an Iceberg type.
var physical = map[string]string{
	"string": "BYTE_ARRAY", "int": "INT32", "long": "INT64", "double": "DOUBLE", "boolean": "BOOLEAN", "timestamp": "INT64",
}

// column is the expression of a column of the table: found by field id, NULL where the files lack it,
// cast only where their type is an older one, because a cast keeps conditions from the files.
func (l layout) column(t Table, name, kind string) (string, error) {
	i := slices.IndexFunc(t.Fields, func(f Field) bool { return f.Name == name })
	if i < 0 {
		return absent(name, kind), nil
	}
	want, ok := physical[t.Fields[i].Type]
	if !ok {
		return "", fmt.Errorf("sql: column %s.%s: type %q: want string, int, long, double, boolean or timestamp", t.Name, name, t.Fields[i].Type)
	}
	k := slices.IndexFunc(l.columns, func(s stored) bool { return s.id == t.Fields[i].ID })
	if k < 0 {
		return absent(name, kind), nil
	}
	text := ident(l.columns[k].name)
	if l.columns[k].kind != want {
		text += "::" + kind
	}
	return text + " AS " + ident(name), nil
}

// layouts remembers what each file holds. Files never change, so each is opened for this once.
type layouts struct {
	mu    sync.Mutex
	known map[string]string // file -> its columns as text, the key of a layout
}

func newLayouts() *layouts { return &layouts{known: map[string]string{}} }

// of groups files by their layout, in the order of the first file of each.
func (l *layouts) of(ctx context.Context, conn *sql.Conn, files []File) ([]layout, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var fresh []string
	for _, f := range files {
		if _, ok := l.known[f.Path]; !ok {
			fresh = append(fresh, f.Path)
		}
	}
	if len(fresh) > 0 {
		if len(l.known) > 10_000 { // forget what compaction has replaced
			clear(l.known)
			fresh = paths(files)
		}
		if err := l.read(ctx, conn, fresh); err != nil {
			return nil, err
		}
	}
	var out []layout
	at := map[string]int{}
	for _, f := range files {
		key := l.known[f.Path]
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key], out = i, append(out, layout{columns: columnsIn(key)})
		}
		out[i].files = append(out[i].files, f)
	}
	return out, nil
}

func paths(files []File) []string {
	out := make([]string, len(files))
	for i, f := range files {
		out[i] = f.Path
	}
	return out
}

func (l *layouts) read(ctx context.Context, conn *sql.Conn, files []string) error {
	rows, err := conn.QueryContext(ctx, `SELECT file_name, string_agg(field_id || ' ' || type || ' ' || name, chr(10) ORDER BY field_id)
		FROM parquet_schema([`+quotes(files)+`]) WHERE field_id IS NOT NULL AND num_children IS NULL GROUP BY 1`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var file, key string
		if err := rows.Scan(&file, &key); err != nil {
			return err
		}
		l.known[file] = strings.Clone(key)
	}
	return rows.Err()
}

func columnsIn(key string) []stored {
	var out []stored
	for line := range strings.Lines(key) {
		var s stored
		if _, err := fmt.Sscan(line, &s.id, &s.kind, &s.name); err == nil {
			out = append(out, s)
		}
	}
	return out
}
