package sql

import (
	"embed"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"text/template"
)

// A View is one table that a query can read.
type View struct {
	Name    string
	Meaning string // what one row is
	Since   string // the version of the dictionary that first had it
	Columns []ViewColumn
	Params  []MacroParam // of a macro
	Past    Reach        // of a view

	macro bool

	lake bool // over Parquet files; else a small table
	body *template.Template
}

// A ViewColumn is one column of a view, as the dictionary describes it.
type ViewColumn struct {
	Name     string
	Type     string // DuckDB's name
	Meaning  string
	Unit     string // UCUM code, "UTC" for times, "unit_of_measure" where that column of the row tells; "" = none
	NullRule string // when it is null
	Since    string // the version of the dictionary that first had it
}

// A Reach says what AS OF makes of a view.
type Reach struct {
	Kind    string // yes; no; or present: the present state is shown, and the answer says so
	Words   string // which state, or why there is none
	Instead string // what can be asked instead where there is none
}

// firstVersion is the version of the dictionary of whatever does not say another.
const firstVersion = "1"

//go:embed views/*.sql
var viewFiles embed.FS

// viewNames is the order in which people are told of the views.
var viewNames = []string{"readings", "reports", "codes", "series", "drift", "alerts", "work_orders", "units"}

var lakeViews = []string{"readings", "reports", "codes"}

const viewsHint = "views: readings, reports, codes, series, drift, alerts, work_orders, units; DESCRIBE readings lists its columns"

// Views is the dictionary: every view with its columns, in order. The caller must not change it.
func Views() []View { return slices.Clone(dictionary()) }

var dictionary = sync.OnceValue(func() []View { return readViews(viewFiles, "views", viewNames, parseView) })

// readViews reads our own files of views or macros; a test reads them all, so a fault in one is a fault of the program.
func readViews(files embed.FS, dir string, names []string, parse func(name, text string) (View, error)) []View {
	var out []View
	for _, name := range names {
		text, err := files.ReadFile(dir + "/" + name + ".sql")
		if err != nil {
			panic("sql: no file for " + name + " in " + dir)
		}
		v, err := parse(name, string(text))
		if err != nil {
			panic(err)
		}
		out = append(out, v)
	}
	return out
}

func lookup(name string) (View, bool) {
	for _, v := range dictionary() {
		if v.Name == name {
			return v, true
		}
	}
	return View{}, false
}

// A column line is: expression [AS name][,] -- TYPE | meaning | unit | null rule [| since]
var (
	columnLine = regexp.MustCompile(`^\s+(.*?),? -- (.*)$`)
	columnName = regexp.MustCompile(`([a-z0-9_]+)$`)
)

func parseView(name, text string) (View, error) {
	v := View{Name: name, Since: firstVersion, lake: slices.Contains(lakeViews, name)}
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		if rest, ok := strings.CutPrefix(line, "-- : as of | "); ok {
			parts := strings.Split(rest+" | ", "|")
			if len(parts) < 3 || !slices.Contains([]string{"yes", "no", "present"}, strings.TrimSpace(parts[0])) {
				return v, fmt.Errorf("sql: view %s: %q: want -- : as of | yes, no or present | words | instead", name, line)
			}
			v.Past = Reach{strings.TrimSpace(parts[0]), strings.TrimSpace(parts[1]), strings.TrimSpace(parts[2])}
			continue
		}
		if rest, ok := strings.CutPrefix(line, "-- "); ok {
			v.Meaning = strings.TrimSpace(v.Meaning + " " + rest)
			continue
		}
		m := columnLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		parts := strings.Split(m[2], "|")
		column := columnName.FindString(m[1])
		if len(parts) == 4 {
			parts = append(parts, v.Since)
		}
		if len(parts) != 5 || column == "" {
			return v, fmt.Errorf("sql: view %s: %q: want a column, then -- TYPE | meaning | unit | null rule [| since]", name, line)
		}
		for i := range parts {
			parts[i] = strings.TrimSpace(parts[i])
		}
		v.Columns = append(v.Columns, ViewColumn{column, parts[0], parts[1], parts[2], parts[3], parts[4]})
	}
	var err error
	if v.body, err = template.New(name).Option("missingkey=error").Parse(text); err != nil {
		return v, fmt.Errorf("sql: view %s: %w", name, err)
	}
	return v, nil
}

// fill is what a view file leaves open.
type fill struct {
	Rows   string // the relation with the rows
	Unit   string // the expression of the unit
	Roster string // the joins it needs
}

// rosterFill resolves the unit: a VIN on the roster gives its unit; a VIN that is not on the roster gives
// none, unless the device's unit has no VIN listed; no VIN gives the device's unit.
var rosterFill = fill{
	Unit:   "CASE WHEN v.unit IS NOT NULL THEN v.unit WHEN r.vin IS NULL OR d.vin IS NULL THEN d.unit END",
	Roster: "LEFT JOIN roster_vin v ON r.vin = v.vin LEFT JOIN roster_device d ON r.device = d.device",
}

// vinFill is the same where every row has a VIN and every unit with a device has one listed: a look-up less a row.
var vinFill = fill{Unit: "v.unit", Roster: "LEFT JOIN roster_vin v ON r.vin = v.vin"}

// noRosterFill serves statements that never look at the unit: the joins would be work for nothing.
var noRosterFill = fill{Unit: "NULL::VARCHAR"}

// create is the statement that makes a view on a connection.
func (v View) create(f fill) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TEMP VIEW %s AS\n", v.Name)
	if err := v.body.Execute(&b, f); err != nil {
		return "", fmt.Errorf("sql: view %s: %w", v.Name, err)
	}
	return b.String(), nil
}
