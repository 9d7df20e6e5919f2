package sql

import (
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

// A condition is one on the files, and which of them can meet it.
type condition struct {
	text string
	may  func(File) bool
}

// conditions are one a branch; no row meets two of them.
func (m *match) conditions() []condition {
	var out []condition
	if len(m.vins) > 0 {
		out = append(out, condition{"vin IN (" + quotes(m.vins) + ")", func(f File) bool { return f.VIN.holds(m.vins) }})
	}
	if len(m.alone) > 0 {
		out = append(out, condition{"vin IS NULL AND device IN (" + quotes(m.alone) + ")",
			func(f File) bool { return !f.VINs && f.Device.holds(m.alone) }})
	}
	if len(m.open) > 0 {
		c := "device IN (" + quotes(m.open) + ")"
		if len(m.vins) > 0 {
			c += " AND (vin IS NULL OR vin NOT IN (" + quotes(m.vins) + "))"
		}
		out = append(out, condition{c, func(f File) bool { return f.Device.holds(m.open) }})
	}
	return out
}

// files are those that can hold readings of the asked units; all where none are asked.
func (m *match) files(files []File) []File {
	if m == nil {
		return files
	}
	conditions := m.conditions()
	return slices.DeleteFunc(slices.Clone(files), func(f File) bool {
		return !slices.ContainsFunc(conditions, func(c condition) bool { return c.may(f) })
	})
}

// rows is the relation that a view reads: the wanted columns of the table, typed, narrowed to a match
// (nil = all rows). Files of one layout are read together, each layout as one branch. (The parameter
// schema of read_parquet would do it in one, but it makes DuckDB take a file for one row, and then a
// join is built on the wrong side: eight times slower on a million rows.)
func (v View) rows(t Table, layouts []layout, m *match) (string, error) {
	conditions := []condition{{"", func(File) bool { return true }}}
	if m != nil {
		conditions = m.conditions()
	}
	var branches []string
	for _, l := range layouts {
		var columns []string
		for _, c := range v.wanted() {
			text, err := l.column(t, c[0], c[1])
			if err != nil {
				return "", err
			}
			columns = append(columns, text)
		}
		for _, c := range conditions {
			var files []string
			for _, f := range l.files {
				if c.may(f) {
					files = append(files, f.Path)
				}
			}
			if len(files) == 0 {
				continue
			}
			branch := "SELECT " + strings.Join(columns, ", ") + " FROM read_parquet([" + quotes(files) + "])"
			if c.text != "" {
				branch = "SELECT * FROM (" + branch + ") WHERE " + c.text
			}
			branches = append(branches, branch)
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
