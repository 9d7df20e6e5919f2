package sql

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A query opens only the files that can hold what it asks for: DuckDB would open each to read its footer,
// which for a vehicle's history costs more than the rows. What a file can hold is in the manifest (File).

// holds says whether one of the values can be within the bounds.
func (b Bounds) holds(values []string) bool {
	return !b.Known || slices.ContainsFunc(values, func(v string) bool { return b.Low <= v && v <= b.High })
}

// A span is what one mention of a view asks of it by conditions that the files can be judged by.
type span struct {
	vins, devices []string         // nil: any
	from, to      []map[string]any // read_at: expressions that it is not before, and not after
}

func (s span) any() bool { return s.vins == nil && s.devices == nil && s.from == nil && s.to == nil }

// A window is the times of a span; zero where it is open.
type window struct{ from, to time.Time }

// may says whether a file can hold rows of a span.
func (f File) may(s span, w window) bool {
	return (s.vins == nil || f.VIN.holds(s.vins)) && (s.devices == nil || f.Device.holds(s.devices)) &&
		(w.from.IsZero() || f.To.IsZero() || !f.To.Before(w.from)) && (w.to.IsZero() || f.From.IsZero() || !f.From.After(w.to))
}

// spanAsked gathers the conditions of a WHERE on the table with that alias.
func (w *walker) spanAsked(where map[string]any, alias string, single bool) (s span) {
	side := func(key string) map[string]any { n, _ := where[key].(map[string]any); return n }
	column := func(n map[string]any, name string) bool { return columnOf(n, alias, single, name) }
	switch kind := str(where, "class") + " " + str(where, "type"); kind {
	case "CONJUNCTION CONJUNCTION_AND":
		for _, c := range list(where, "children") {
			c, _ := c.(map[string]any)
			t := w.spanAsked(c, alias, single)
			if s.vins == nil {
				s.vins = t.vins
			}
			if s.devices == nil {
				s.devices = t.devices
			}
			s.from, s.to = append(s.from, t.from...), append(s.to, t.to...)
		}
	case "OPERATOR COMPARE_IN":
		args := list(where, "children")
		first, _ := args[0].(map[string]any)
		switch {
		case column(first, "vin"):
			s.vins = w.literals(args[1:])
		case column(first, "device"):
			s.devices = w.literals(args[1:])
		}
	case "BETWEEN COMPARE_BETWEEN":
		if column(side("input"), "read_at") {
			s.from, s.to = steady(side("lower")), steady(side("upper"))
		}
	default:
		if str(where, "class") != "COMPARISON" {
			return s
		}
		left, right := side("left"), side("right")
		compare := str(where, "type")
		if str(right, "class") == "COLUMN_REF" {
			left, right = right, left
			compare = turned[compare]
		}
		switch {
		case compare == "COMPARE_EQUAL" && column(left, "vin"):
			s.vins = w.literals([]any{right})
		case compare == "COMPARE_EQUAL" && column(left, "device"):
			s.devices = w.literals([]any{right})
		case !column(left, "read_at"):
		case compare == "COMPARE_EQUAL":
			s.from, s.to = steady(right), steady(right)
		case compare == "COMPARE_GREATERTHAN" || compare == "COMPARE_GREATERTHANOREQUALTO":
			s.from = steady(right)
		case compare == "COMPARE_LESSTHAN" || compare == "COMPARE_LESSTHANOREQUALTO":
			s.to = steady(right)
		}
	}
	return s
}

// turned is a comparison with its sides changed.
var turned = map[string]string{
	"COMPARE_EQUAL": "COMPARE_EQUAL", "COMPARE_GREATERTHAN": "COMPARE_LESSTHAN", "COMPARE_LESSTHAN": "COMPARE_GREATERTHAN",
	"COMPARE_GREATERTHANOREQUALTO": "COMPARE_LESSTHANOREQUALTO", "COMPARE_LESSTHANOREQUALTO": "COMPARE_GREATERTHANOREQUALTO",
}

// steadyFunctions give one value for the whole query.
var steadyFunctions = set("now get_current_timestamp current_localtimestamp today current_date transaction_timestamp + - date_trunc trunc" +
	" to_years to_months to_weeks to_days to_hours to_minutes to_seconds make_date make_timestamp")

// steady is the expression when it has one value for the whole query, else nothing.
func steady(n map[string]any) []map[string]any {
	switch str(n, "class") {
	case "CONSTANT":
	case "CAST":
		child, _ := n["child"].(map[string]any)
		if steady(child) == nil {
			return nil
		}
	case "FUNCTION":
		if !steadyFunctions[strings.ToLower(str(n, "function_name"))] {
			return nil
		}
		for _, c := range list(n, "children") {
			if c, _ := c.(map[string]any); steady(c) == nil {
				return nil
			}
		}
	default:
		return nil
	}
	return []map[string]any{n}
}

// slack is how far a bound of time is moved outwards: now() is a little later when the query runs.
const slack = time.Hour

// prune leaves the files that one of the spans may need. No spans: all files.
func prune(ctx context.Context, conn *sql.Conn, files []File, spans []span) []File {
	if len(spans) == 0 {
		return files
	}
	windows := make([]window, len(spans))
	for i, s := range spans {
		for _, t := range values(ctx, conn, s.from) {
			if t = t.Add(-slack); windows[i].from.Before(t) {
				windows[i].from = t
			}
		}
		for _, t := range values(ctx, conn, s.to) {
			if t = t.Add(slack); windows[i].to.IsZero() || windows[i].to.After(t) {
				windows[i].to = t
			}
		}
	}
	var out []File
	for _, f := range files {
		for i, s := range spans {
			if f.may(s, windows[i]) {
				out = append(out, f)
				break
			}
		}
	}
	return out
}

// values lets DuckDB reckon expressions of time. What it can't is left out, and is the query's own error later.
func values(ctx context.Context, conn *sql.Conn, expressions []map[string]any) (out []time.Time) {
	if len(expressions) == 0 {
		return nil
	}
	node, err := parse(ctx, conn, "SELECT 1")
	if err != nil {
		return nil
	}
	var items []any
	var names []string
	for i, e := range expressions {
		e, _ := unplaced(e).(map[string]any)
		name := fmt.Sprint("v", i)
		e["alias"] = name
		items, names = append(items, e), append(names, "TRY_CAST("+name+" AS TIMESTAMP)")
	}
	node, _ = unplaced(node).(map[string]any)
	node["select_list"] = items
	tree, err := json.Marshal(map[string]any{"error": false, "statements": []any{map[string]any{"node": node}}})
	if err != nil {
		return nil
	}
	var text string
	if err := conn.QueryRowContext(ctx, "SELECT json_deserialize_sql(?::VARCHAR::JSON)", string(tree)).Scan(&text); err != nil {
		return nil
	}
	found := make([]sql.NullTime, len(names))
	into := make([]any, len(names))
	for i := range found {
		into[i] = &found[i]
	}
	if err := conn.QueryRowContext(ctx, "SELECT "+strings.Join(names, ", ")+" FROM ("+text+")").Scan(into...); err != nil {
		return nil
	}
	for _, t := range found {
		if t.Valid && t.Time.Year() > 1 && t.Time.Year() < 9999 {
			out = append(out, t.Time)
		}
	}
	return out
}

// unplaced is a copy of a tree without the places in the text: some are numbers that JSON does not keep whole.
func unplaced(v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := make(map[string]any, len(v))
		for k, x := range v {
			if k != "query_location" {
				out[k] = unplaced(x)
			}
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = unplaced(x)
		}
		return out
	}
	return v
}
