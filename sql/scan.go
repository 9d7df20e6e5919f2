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

// A match is what the readings of the asked units can be found by. The three lists follow the rule of
// rosterFill: a row with a VIN that is on the roster goes by it; a row without goes by its device; a row
// with a VIN that is not on the roster goes by its device only where that unit has no VIN listed.
type match struct {
	vins  []string
	alone []string // devices of units that have a VIN listed: rows without a VIN
	open  []string // devices of units that have none: rows without a VIN, or with an unlisted one
}

func (m *match) none() bool { return len(m.vins)+len(m.alone)+len(m.open) == 0 }

// conditions are those on the files, one a branch; no row meets two of them.
func (m *match) conditions() []string {
	var out []string
	if len(m.vins) > 0 {
		out = append(out, "vin IN ("+quotes(m.vins)+")")
	}
	if len(m.alone) > 0 {
		out = append(out, "vin IS NULL AND device IN ("+quotes(m.alone)+")")
	}
	if len(m.open) > 0 {
		c := "device IN (" + quotes(m.open) + ")"
		if len(m.vins) > 0 {
			c += " AND (vin IS NULL OR vin NOT IN (" + quotes(m.vins) + "))"
		}
		out = append(out, c)
	}
	return out
}

// rows is the relation that a view reads: the wanted columns of the table, typed, narrowed to a match (nil = all rows).
func (v View) rows(t Table, m *match) (string, error) {
	empty := len(t.Files) == 0 || m != nil && m.none()
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
	var branches []string
	for _, c := range m.conditions() {
		branches = append(branches, head+" WHERE "+c)
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
