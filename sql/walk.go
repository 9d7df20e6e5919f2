package sql

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A walker goes through the tree of a statement, refuses what is not allowed, and notes what is needed.
// What it does not know it refuses: a node type that a newer parser invents stays outside.
type walker struct {
	query   string
	body    func(View) (map[string]any, error) // the tree of a macro
	bound   map[string]any                     // inside a macro: parameter -> argument
	allowed map[string]bool
	needs
	json    bool            // something makes JSON, which Arrow cannot tell from text
	seen    map[string]int  // lake view -> times mentioned
	narrow  map[string]int  // lake view -> of these, narrowed to some units
	aliases map[string]bool // names a whole row can be referred to by
	columns []string        // single-part column references
}

// scope is the names of the CTEs in force.
type scope []string

// Node types by sort. Sources: the tree that DuckDB 1.1 serializes.
var (
	expressions = set("BETWEEN CASE CAST COLLATE COLUMN_REF COMPARISON CONJUNCTION CONSTANT FUNCTION LAMBDA" +
		" LAMBDA_REF OPERATOR POSITIONAL_REFERENCE STAR SUBQUERY WINDOW")
	nodes = set("SELECT_NODE SET_OPERATION_NODE RECURSIVE_CTE_NODE CTE_NODE" +
		" BASE_TABLE SUBQUERY JOIN TABLE_FUNCTION EXPRESSION_LIST EMPTY PIVOT SHOW_REF" +
		" ORDER_MODIFIER LIMIT_MODIFIER LIMIT_PERCENT_MODIFIER DISTINCT_MODIFIER" +
		" ORDER_DEFAULT ASCENDING DESCENDING") // the last three: an item of ORDER BY
	plainName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
)

func set(list string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(list) {
		m[w] = true
	}
	return m
}

func str(m map[string]any, key string) string { s, _ := m[key].(string); return s }

func list(m map[string]any, key string) []any { l, _ := m[key].([]any); return l }

func at(m map[string]any) int {
	if f, ok := m["query_location"].(float64); ok && f < 1e15 {
		return int(f)
	}
	return -1
}

// walk visits a value of the tree with the CTEs that it may name.
func (w *walker) walk(v any, in scope) error {
	switch v := v.(type) {
	case []any:
		for _, x := range v {
			if err := w.walk(x, in); err != nil {
				return err
			}
		}
	case map[string]any:
		return w.node(v, in)
	}
	return nil
}

func (w *walker) node(n map[string]any, in scope) error {
	if _, value := n["is_null"]; value {
		return nil // a value with its type
	}
	if class, ok := n["class"].(string); ok {
		return w.expression(class, n, in)
	}
	kind, typed := n["type"].(string)
	if typed && !nodes[kind] {
		return refuse(w.query, at(n), "", "%s is not allowed here", strings.ToLower(kind))
	}
	if ctes, ok := n["cte_map"].(map[string]any); ok {
		var err error
		if in, err = w.ctes(list(ctes, "map"), in); err != nil {
			return err
		}
	}
	switch kind {
	case "BASE_TABLE":
		return w.table(n, in)
	case "SHOW_REF":
		return w.showRef(n, in)
	case "TABLE_FUNCTION":
		return w.tableFunction(n, in)
	case "RECURSIVE_CTE_NODE":
		if err := w.cteName(str(n, "cte_name")); err != nil {
			return err
		}
		if err := w.walk(n["left"], in); err != nil {
			return err
		}
		return w.walk(n["right"], append(slices.Clip(in), strings.ToLower(str(n, "cte_name"))))
	case "CTE_NODE":
		if err := w.cteName(str(n, "cte_name")); err != nil {
			return err
		}
		if err := w.walk(n["query"], in); err != nil {
			return err
		}
		return w.walk(n["child"], append(slices.Clip(in), strings.ToLower(str(n, "cte_name"))))
	case "SELECT_NODE":
		w.narrowing(n, in)
	case "PIVOT":
		w.unit = true
	case "JOIN":
		w.unit = w.unit || str(n, "ref_type") == "NATURAL" || slices.ContainsFunc(list(n, "using_columns"), isUnit)
	}
	if a := str(n, "alias"); a != "" {
		w.alias(a)
	}
	for _, key := range slices.Sorted(maps.Keys(n)) {
		switch key {
		case "cte_map", "expected_types", "expected_names", "sample":
			continue // the sample of a table is a value
		}
		if err := w.walk(n[key], in); err != nil {
			return err
		}
	}
	return nil
}

func isUnit(v any) bool { s, _ := v.(string); return strings.EqualFold(s, "unit") }

func (w *walker) alias(name string) {
	if w.aliases == nil {
		w.aliases = map[string]bool{}
	}
	w.aliases[strings.ToLower(name)] = true
}

// ctes visits the WITH list. A CTE sees those before it; a recursive one sees itself in its right half.
func (w *walker) ctes(entries []any, in scope) (scope, error) {
	in = slices.Clip(in)
	for _, entry := range entries {
		m, _ := entry.(map[string]any)
		name := str(m, "key")
		if err := w.cteName(name); err != nil {
			return nil, err
		}
		info, _ := m["value"].(map[string]any)
		body, _ := info["query"].(map[string]any)
		if err := w.walk(body["node"], in); err != nil {
			return nil, err
		}
		in = append(in, strings.ToLower(name))
		w.alias(name)
	}
	return in, nil
}

// cteName keeps names out that could be taken for a file or for a table of the catalogue.
func (w *walker) cteName(name string) error {
	if !plainName.MatchString(name) {
		return refuse(w.query, -1, "use letters, digits and _", "%q is not a name for a WITH query", name)
	}
	return nil
}

func (w *walker) table(n map[string]any, in scope) error {
	name := strings.ToLower(str(n, "table_name"))
	if str(n, "catalog_name") != "" || str(n, "schema_name") != "" {
		return refuse(w.query, at(n), viewsHint, "%s.%s: names with a schema are not allowed", str(n, "schema_name"), name)
	}
	w.alias(name)
	if a := str(n, "alias"); a != "" {
		w.alias(a)
	}
	if slices.Contains(in, name) {
		return nil
	}
	if len(list(n, "column_name_alias")) > 0 {
		w.unit = true
	}
	return w.view(name, at(n))
}

// view notes that a view is read, or refuses the name.
func (w *walker) view(name string, at int) error {
	if _, ok := lookup(name); !ok {
		what := "there is no view " + strconv.Quote(name)
		if strings.ContainsAny(name, "./\\*") {
			what = strconv.Quote(name) + " looks like a file: files cannot be read from SQL"
		}
		return refuse(w.query, at, viewsHint, "%s", what)
	}
	w.views[name] = true
	w.seen[name]++
	return nil
}

// showRef is DESCRIBE, SHOW or SUMMARIZE, of a view or of a query.
func (w *walker) showRef(n map[string]any, in scope) error {
	w.unit = true
	if n["query"] != nil {
		return w.walk(n["query"], in)
	}
	name, err := strconv.Unquote(str(n, "table_name"))
	if err != nil {
		name = str(n, "table_name")
	}
	return w.view(strings.ToLower(name), at(n))
}

func (w *walker) expression(class string, n map[string]any, in scope) error {
	if !expressions[class] {
		return refuse(w.query, at(n), "", "%s is not allowed here", strings.ToLower(class))
	}
	skip := ""
	switch class {
	case "CONSTANT":
		return nil
	case "COLUMN_REF":
		names := list(n, "column_names")
		w.unit = w.unit || slices.ContainsFunc(names, isUnit)
		if len(names) == 1 {
			w.columns = append(w.columns, strings.ToLower(fmt.Sprint(names[0])))
		}
		return nil
	case "STAR", "POSITIONAL_REFERENCE":
		w.unit = true
	case "CAST":
		skip = "cast_type"
		kind, _ := n["cast_type"].(map[string]any)
		info, _ := kind["type_info"].(map[string]any)
		w.json = w.json || strings.EqualFold(str(info, "user_type_name"), "json")
	case "FUNCTION", "WINDOW":
		name := str(n, "function_name")
		w.json = w.json || strings.Contains(name, "json") || strings.HasPrefix(name, "->")
		if err := w.function(n); err != nil {
			return err
		}
	}
	for _, key := range slices.Sorted(maps.Keys(n)) {
		if key == skip || key == "class" || key == "type" || key == "value" {
			continue
		}
		if err := w.walk(n[key], in); err != nil {
			return err
		}
	}
	return nil
}
