package sql

import (
	_ "embed"
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
		return "settings and the catalogue are not readable: DESCRIBE a view, or SHOW TABLES"
	}
	return ""
}
