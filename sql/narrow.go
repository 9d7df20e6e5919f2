package sql

import (
	"fmt"
	"slices"
	"strings"
)

// The unit of a reading is found through the roster when the query runs, so unit = 'x' is no condition
// on the Parquet files. Where every mention of a lake view stands in a SELECT with such a condition, the
// view is narrowed beforehand to the VINs and devices of those units, and those are conditions on the
// files. Rows of other units would be dropped by the same SELECT anyway, so the answer is the same.

// narrowing notes the units that a SELECT asks of the lake views in its FROM.
func (w *walker) narrowing(n map[string]any, in scope) {
	from, _ := n["from_table"].(map[string]any)
	where, _ := n["where_clause"].(map[string]any)
	single := str(from, "type") == "BASE_TABLE"
	for _, t := range plainTables(from) {
		name := strings.ToLower(str(t, "table_name"))
		v, ok := lookup(name)
		if !ok || !v.lake || slices.Contains(in, name) || t["sample"] != nil || n["sample"] != nil ||
			len(list(t, "column_name_alias")) > 0 {
			continue
		}
		alias := strings.ToLower(str(t, "alias"))
		if alias == "" {
			alias = name
		}
		if s := w.spanAsked(where, alias, single); !s.any() {
			w.spans[name] = append(w.spans[name], s)
		}
		if units := w.unitsAsked(where, alias, single); units != nil {
			w.narrow[name]++
			w.only[name] = append(w.only[name], units...)
		}
	}
}

// plainTables are the base tables of a FROM whose rows WHERE sees one by one. An ASOF or a positional
// join chooses among rows, a semi or anti join hides them: what is under one is left alone.
func plainTables(from map[string]any) []map[string]any {
	switch str(from, "type") {
	case "BASE_TABLE":
		return []map[string]any{from}
	case "JOIN":
		kind, join := str(from, "ref_type"), str(from, "join_type")
		if kind != "REGULAR" && kind != "CROSS" || !slices.Contains([]string{"INNER", "LEFT", "RIGHT", "OUTER"}, join) {
			return nil
		}
		left, _ := from["left"].(map[string]any)
		right, _ := from["right"].(map[string]any)
		return append(plainTables(left), plainTables(right)...)
	}
	return nil
}

// unitsAsked is the units that a WHERE leaves of the table with that alias; nil = it does not say.
func (w *walker) unitsAsked(where map[string]any, alias string, single bool) []string {
	switch str(where, "class") + " " + str(where, "type") {
	case "CONJUNCTION CONJUNCTION_AND":
		for _, c := range list(where, "children") {
			c, _ := c.(map[string]any)
			if units := w.unitsAsked(c, alias, single); units != nil {
				return units
			}
		}
	case "COMPARISON COMPARE_EQUAL":
		left, _ := where["left"].(map[string]any)
		right, _ := where["right"].(map[string]any)
		if unitColumn(left, alias, single) {
			return w.literals([]any{right})
		}
		if unitColumn(right, alias, single) {
			return w.literals([]any{left})
		}
	case "OPERATOR COMPARE_IN":
		args := list(where, "children")
		if first, _ := args[0].(map[string]any); unitColumn(first, alias, single) {
			return w.literals(args[1:])
		}
	}
	return nil
}

func unitColumn(n map[string]any, alias string, single bool) bool {
	return columnOf(n, alias, single, "unit")
}

// columnOf says whether an expression is a column of the table with that alias.
func columnOf(n map[string]any, alias string, single bool, column string) bool {
	names := list(n, "column_names")
	is := func(v any, name string) bool { s, _ := v.(string); return strings.EqualFold(s, name) }
	switch {
	case str(n, "class") != "COLUMN_REF":
		return false
	case len(names) == 1:
		return single && is(names[0], column)
	case len(names) == 2:
		return is(names[0], alias) && is(names[1], column)
	}
	return false
}

// literals is the text of constants; nil when one is something else, or when they are many.
func (w *walker) literals(args []any) []string {
	var out []string
	for _, a := range args {
		a, _ := a.(map[string]any)
		if names := list(a, "column_names"); len(names) == 1 && str(a, "class") == "COLUMN_REF" {
			if given, ok := w.bound[fmt.Sprint(names[0])].(map[string]any); ok { // a parameter of a macro
				a = given
			}
		}
		value, _ := a["value"].(map[string]any)
		text, ok := value["value"].(string)
		if str(a, "class") != "CONSTANT" || !ok || len(out) == 100 {
			return nil
		}
		out = append(out, text)
	}
	return out
}

// finish settles what the whole statement needs.
func (w *walker) finish() needs {
	for name := range w.seen {
		if w.narrow[name] == 0 || w.narrow[name] != w.seen[name] {
			delete(w.only, name)
		}
		if len(w.spans[name]) != w.seen[name] {
			delete(w.spans, name)
		}
	}
	for _, c := range w.columns {
		w.unit = w.unit || w.aliases[c] // a whole row, the unit with it
	}
	for name, units := range w.only {
		slices.Sort(units)
		w.only[name] = slices.Compact(units)
	}
	return w.needs
}
