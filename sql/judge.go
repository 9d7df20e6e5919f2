package sql

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strings"
)

// A statement is a query that may run, and what it needs.
type statement struct {
	text    string // without the closing semicolon and without EXPLAIN
	explain string // EXPLAIN or EXPLAIN ANALYZE when asked for, else ""
	show    bool   // the whole is DESCRIBE, SHOW or SUMMARIZE
	list    bool   // SHOW TABLES: answered without DuckDB
	limited bool   // has a LIMIT of its own
	most    int    // that LIMIT, where it is a number; else -1
	json    bool   // may give JSON
	needs
}

// needs is what the tree of a statement says about the views it reads.
type needs struct {
	views  map[string]bool     // views mentioned
	macros map[string]bool     // macros called
	unit   bool                // the column unit of a lake view may be looked at
	only   map[string][]string // lake view -> units, where every mention is narrowed to some units
	spans  map[string][]span   // lake view -> what its mentions ask, where every one asks something
	about  bool                // the comments of the views are asked for
}

var (
	explainWord = regexp.MustCompile(`(?i)^(?:\s|--[^\n]*\n)*explain(\s+analyze)?\s+`)
	firstWord   = regexp.MustCompile(`^(?:[\s(]|--[^\n]*\n)*([A-Za-z_]+)`)
	showTables  = regexp.MustCompile(`(?i)^(?:\s|--[^\n]*\n)*show\s+(all\s+)?tables\s*;?\s*$`)
)

// bare is for tests alone: statements go to DuckDB unjudged, so that what is beneath the judge can be tried.
var bare bool

// judge parses a query with DuckDB's own parser and decides whether it may run.
func (w *worker) judge(ctx context.Context, conn *sql.Conn, query string) (*statement, error) {
	if strings.TrimSpace(query) == "" {
		return nil, &Error{Kind: KindSyntax, Message: "the query is empty", Hint: viewsHint}
	}
	if strings.ContainsRune(query, 0) {
		return nil, &Error{Kind: KindSyntax, Message: "the query holds a zero byte"}
	}
	if showTables.MatchString(query) {
		return &statement{list: true}, nil
	}
	if bare {
		return &statement{text: query, show: true}, nil
	}
	s := &statement{text: query}
	if m := explainWord.FindStringSubmatch(query); m != nil {
		s.explain = "EXPLAIN"
		if m[1] != "" {
			s.explain = "EXPLAIN ANALYZE"
		}
		s.text = query[len(m[0]):]
	}
	tree, err := parse(ctx, conn, s.text)
	if err != nil {
		return nil, err
	}
	tour := walker{query: s.text, body: func(v View) (map[string]any, error) { return w.macroBody(ctx, conn, v) }, allowed: w.functions,
		needs: needs{views: map[string]bool{}, macros: map[string]bool{}, only: map[string][]string{}, spans: map[string][]span{}}, seen: map[string]int{}, narrow: map[string]int{}}
	if err := tour.walk(tree, nil); err != nil {
		return nil, err
	}
	s.needs, s.json = tour.finish(), tour.json
	from, _ := tree["from_table"].(map[string]any)
	s.show = str(from, "type") == "SHOW_REF"
	s.limited, s.most = limited(tree)
	s.text = withoutEnd(ctx, conn, s.text, tree)
	return s, nil
}

// parse returns the node of the one SELECT that a query holds.
func parse(ctx context.Context, conn *sql.Conn, query string) (map[string]any, error) {
	var text string
	if err := conn.QueryRowContext(ctx, `SELECT json_serialize_sql(?::VARCHAR)::VARCHAR`, query).Scan(&text); err != nil {
		return nil, fmt.Errorf("sql: parse the query: %w", err)
	}
	var answer struct {
		Error      bool        `json:"error"`
		Kind       string      `json:"error_type"`
		Message    string      `json:"error_message"`
		Position   json.Number `json:"position"`
		Statements []struct {
			Node map[string]any `json:"node"`
		} `json:"statements"`
	}
	if err := json.Unmarshal([]byte(text), &answer); err != nil {
		return nil, fmt.Errorf("sql: parse the query: tree: %w", err)
	}
	switch {
	case answer.Error && answer.Kind == "parser":
		at := -1
		if n, err := answer.Position.Int64(); err == nil {
			at = int(n)
		}
		return nil, &Error{Kind: KindSyntax, Message: "Parser Error: " + answer.Message + caret(query, at), Hint: viewsHint}
	case answer.Error:
		return nil, refuse(query, -1, "use one SELECT, or EXPLAIN, DESCRIBE, SHOW TABLES, SUMMARIZE of a view",
			"%sis not allowed: history is read only", verb(query))
	case len(answer.Statements) == 0:
		return nil, &Error{Kind: KindSyntax, Message: "the query is empty", Hint: viewsHint}
	case len(answer.Statements) > 1:
		return nil, refuse(query, -1, "send them one by one", "%d statements in one query: want one", len(answer.Statements))
	}
	return answer.Statements[0].Node, nil
}

func verb(query string) string {
	m := firstWord.FindStringSubmatch(query)
	if m == nil {
		return "this statement "
	}
	if word := strings.ToUpper(m[1]); word != "SELECT" && word != "WITH" && word != "FROM" {
		if word == "PIVOT" || word == "UNPIVOT" {
			return word + " as a statement (use SELECT ... FROM readings PIVOT (... FOR state IN ('ok', 'invalid'))) "
		}
		return word + " "
	}
	return "this statement "
}

// limited says whether the outermost query has a LIMIT, and which where that is a number; else -1.
func limited(node map[string]any) (yes bool, most int) {
	for _, m := range list(node, "modifiers") {
		m, _ := m.(map[string]any)
		if strings.HasPrefix(str(m, "type"), "LIMIT") {
			yes, most = true, -1
			if text, ok := number(m["limit"]); ok && str(m, "type") == "LIMIT_MODIFIER" {
				most = text
			}
		}
	}
	return yes, most
}

// number is the value of an expression that is a whole number as written.
func number(v any) (int, bool) {
	n, _ := v.(map[string]any)
	value, _ := n["value"].(map[string]any)
	f, ok := value["value"].(float64)
	if str(n, "class") != "CONSTANT" || !ok || f != math.Trunc(f) || f < 0 || f > 1e9 {
		return 0, false
	}
	return int(f), true
}

// withoutEnd takes the closing semicolon away, so that the query can stand in parentheses: the shortest
// text before a semicolon that means the same. No lexer of ours has to agree with DuckDB's.
func withoutEnd(ctx context.Context, conn *sql.Conn, query string, tree map[string]any) string {
	for i, c := range query {
		if c != ';' {
			continue
		}
		if t, err := parse(ctx, conn, query[:i]); err == nil && reflect.DeepEqual(t, tree) {
			return query[:i]
		}
	}
	return query
}

// macroBody is the tree of a macro; each is parsed once.
func (w *worker) macroBody(ctx context.Context, conn *sql.Conn, v View) (map[string]any, error) {
	if tree, ok := w.bodies[v.Name]; ok {
		return tree, nil
	}
	tree, err := parse(ctx, conn, v.text())
	if err != nil {
		return nil, fmt.Errorf("sql: macro %s: %w", v.Name, err)
	}
	w.bodies[v.Name] = tree
	return tree, nil
}
