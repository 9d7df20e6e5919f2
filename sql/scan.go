package sql

import (
	"fmt"
	"slices"
	"strings"
)

// lakeColumns are the columns of the lake tables that the views read, in DuckDB's types, beyond those
// that a view shows under the same name.
var lakeColumns = map[string][][2]string{
	"codes": {{"report_id", "VARCHAR"}, {"vin", "VARCHAR"}, {"device", "VARCHAR"}, {"ecu", "VARCHAR"},
		{"kind", "VARCHAR"}, {"code", "VARCHAR"}, {"read_at", "TIMESTAMP"}},
}

// wanted is the columns that a view needs of its lake table.
func (v View) wanted() [][2]string {
	if c, ok := lakeColumns[v.Name]; ok {
		return c
	}
	var out [][2]string
	for _, c := range v.Columns {
		if c.Name != "unit" {
			out = append(out, [2]string{c.Name, c.Type})
		}
	}
	return out
}

// duckType is DuckDB's name of an Iceberg type.
func duckType(iceberg string) (string, error) {
	switch iceberg {
	case "string":
		return "VARCHAR", nil
	case "int":
		return "INTEGER", nil
	case "long":
		return "BIGINT", nil
	case "double":
		return "DOUBLE", nil
	case "boolean":
		return "BOOLEAN", nil
	case "timestamp":
		return "TIMESTAMP", nil
	}
	return "", fmt.Errorf("sql: column type %q: want string, int, long, double, boolean or timestamp", iceberg)
}

// files is the relation over the files of a table: an explicit list, columns found by field id, so that
// a column that an older file lacks reads NULL and a renamed one is found.
func files(t Table) (string, error) {
	var b strings.Builder
	b.WriteString("read_parquet([")
	for i, f := range t.Files {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(quote(f))
	}
	b.WriteString("], schema=MAP{")
	for i, f := range t.Fields {
		kind, err := duckType(f.Type)
		if err != nil {
			return "", fmt.Errorf("%w, in %s.%s", err, t.Name, f.Name)
		}
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%d: {name: %s, type: '%s', default_value: NULL}", f.ID, quote(f.Name), kind)
	}
	b.WriteString("})")
	return b.String(), nil
}

// A match is the VINs and devices that the asked units can be found by; nil = all rows.
type match struct{ vins, devices []string }

// rows is the relation that a view reads: the wanted columns of the table, typed, narrowed to a match.
func (v View) rows(t Table, m *match) (string, error) {
	empty := len(t.Files) == 0 || m != nil && len(m.vins) == 0 && len(m.devices) == 0
	var columns []string
	for _, c := range v.wanted() {
		if !empty && slices.ContainsFunc(t.Fields, func(f Field) bool { return f.Name == c[0] }) {
			columns = append(columns, ident(c[0]))
		} else {
			columns = append(columns, fmt.Sprintf("NULL::%s AS %s", c[1], ident(c[0])))
		}
	}
	head := "SELECT " + strings.Join(columns, ", ")
	if empty {
		return "(" + head + " WHERE false)", nil
	}
	from, err := files(t)
	if err != nil {
		return "", err
	}
	head += " FROM " + from
	if m == nil {
		return "(" + head + ")", nil
	}
	// One branch a condition, each a condition on the files, and no row in both.
	var branches []string
	if len(m.vins) > 0 {
		branches = append(branches, head+" WHERE vin IN ("+quotes(m.vins)+")")
	}
	if len(m.devices) > 0 {
		branch := head + " WHERE device IN (" + quotes(m.devices) + ")"
		if len(m.vins) > 0 {
			branch += " AND (vin IS NULL OR vin NOT IN (" + quotes(m.vins) + "))"
		}
		branches = append(branches, branch)
	}
	return "(" + strings.Join(branches, " UNION ALL ") + ")", nil
}

func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func ident(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

func quotes(list []string) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = quote(s)
	}
	return strings.Join(out, ", ")
}
