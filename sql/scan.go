package sql

import (
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
		if c.Name != "unit" || v.Name == "drift" { // else the roster says it
			out = append(out, [2]string{c.Name, c.Type})
		}
	}
	return out
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

// rows is the relation that a view reads: the wanted columns of the table, typed, narrowed to a match
// (nil = all rows). Files of one layout are read together, each layout as one branch. (The parameter
// schema of read_parquet would do it in one, but it makes DuckDB take a file for one row, and then a
// join is built on the wrong side: eight times slower on a million rows.)
func (v View) rows(t Table, layouts []layout, m *match) (string, error) {
	var branches []string
	for _, l := range layouts {
		if m != nil && m.none() {
			break
		}
		var columns []string
		for _, c := range v.wanted() {
			text, err := l.column(t, c[0], c[1])
			if err != nil {
				return "", err
			}
			columns = append(columns, text)
		}
		branch := "SELECT " + strings.Join(columns, ", ") + " FROM read_parquet([" + quotes(l.files) + "])"
		if m == nil {
			branches = append(branches, branch)
			continue
		}
		for _, c := range m.conditions() {
			branches = append(branches, "SELECT * FROM ("+branch+") WHERE "+c)
		}
	}
	if len(branches) == 0 {
		var columns []string
		for _, c := range v.wanted() {
			columns = append(columns, absent(c[0], c[1]))
		}
		return "(SELECT " + strings.Join(columns, ", ") + " WHERE false)", nil
	}
	return "(" + strings.Join(branches, " UNION ALL ") + ")", nil
}

func absent(name, kind string) string { return "NULL::" + kind + " AS " + ident(name) }

func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func ident(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

func quotes(list []string) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = quote(s)
	}
	return strings.Join(out, ", ")
}
