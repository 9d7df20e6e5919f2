package sql

import (
	_ "embed"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

//go:embed functions/allow.txt
var allowText string

// functions is the set of allowed function names, in lower case.
func functions() map[string]bool { return words(allowText) }

func words(text string) map[string]bool {
	set := map[string]bool{}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "# ") {
			continue
		}
		for _, w := range strings.Fields(line) {
			set[strings.ToLower(w)] = true
		}
	}
	return set
}

// tableFunctions are the functions allowed in FROM. All of them make rows out of their arguments.
var tableFunctions = []string{"unnest", "range", "generate_series"}

// insteadOf is what to use in place of a refused function that people reach for.
func insteadOf(name string) string {
	switch {
	case name == "range" || name == "generate_series":
		return "in FROM it is allowed: SELECT i FROM " + name + "(10) t(i)"
	case strings.HasPrefix(name, "read_") || slices.Contains([]string{"glob", "parquet_scan", "sniff_csv"}, name):
		return "files cannot be read from SQL: query the views"
	case strings.HasPrefix(name, "pragma_") || strings.HasPrefix(name, "duckdb_") || name == "current_setting":
		return "settings and the catalogue are not readable, but for duckdb_views() and duckdb_columns(): DESCRIBE a view, or SHOW TABLES"
	}
	return ""
}

func (w *walker) tableFunction(n map[string]any, in scope) error {
	f, _ := n["function"].(map[string]any)
	name := strings.ToLower(str(f, "function_name"))
	if v, ok := findMacro(name); ok && str(f, "class") == "FUNCTION" && !foreign(f) {
		return w.macro(v, n, f, in)
	}
	if str(f, "class") == "FUNCTION" && slices.Contains(catalogFunctions, name) && !foreign(f) && len(list(f, "children")) == 0 {
		w.about = true
		if a := str(n, "alias"); a != "" {
			w.alias(a)
		}
		return nil
	}
	if str(f, "class") != "FUNCTION" || !slices.Contains(tableFunctions, name) || foreign(f) {
		return refuse(w.query, at(n), insteadOf(name), "the function %s is not allowed in FROM: only %s are, and the macros %s",
			name, strings.Join(tableFunctions, ", "), strings.Join(macroNames, ", "))
	}
	if a := str(n, "alias"); a != "" {
		w.alias(a)
	}
	return w.walk(f["children"], in)
}

// foreign says whether a function is named with a catalogue or schema other than the built-in one.
func foreign(f map[string]any) bool {
	return str(f, "catalog") != "" || str(f, "schema") != "" && str(f, "schema") != "main"
}

func (w *walker) function(n map[string]any) error {
	name := strings.ToLower(str(n, "function_name"))
	if !w.allowed[name] || foreign(n) {
		return refuse(w.query, at(n), insteadOf(name), "the function %s is not allowed", name)
	}
	switch name {
	case "lpad", "rpad":
		if length, ok := constant(n, 1); !ok || len(length) > 3 {
			return refuse(w.query, at(n), "", "the length given to %s must be written as a number below 1000", name)
		}
	case "printf", "format":
		if text, ok := constant(n, 0); !ok || wide.MatchString(text) {
			return refuse(w.query, at(n), "", "the format given to %s must be written as text, with widths below 1000", name)
		}
	}
	return nil
}

// wide finds a width that would make text of any size: four digits or more, or one given by an argument.
var wide = regexp.MustCompile(`\d{4}|%[^A-Za-z%]*\*|\{[^}]*\{`)

// constant is the i-th argument of a function where it is written as a literal.
func constant(n map[string]any, i int) (string, bool) {
	args := list(n, "children")
	if i >= len(args) {
		return "", false
	}
	arg, _ := args[i].(map[string]any)
	value, _ := arg["value"].(map[string]any)
	if str(arg, "class") != "CONSTANT" || value["value"] == nil {
		return "", false
	}
	return fmt.Sprint(value["value"]), true
}
