package sql

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Parameters (?, $1 or $name) are written into the text as literals before it is judged. What is judged is
// then what runs, conditions on units narrow the files, and text is compared with times as DuckDB does with
// literals; DuckDB's own binding does none of the three. A value can hold anything: it stays one literal.

// A Param is one parameter of a query.
type Param struct {
	Name string // without the $; "1" for the first ?
	Type string // DuckDB's name of the column it is compared with, "" where there is none
}

// A token is the place of a parameter in a text.
type token struct {
	from, to int
	name     string
}

// lexeme is what can hide a parameter, or is one: comments, quoted text, quoted names, dollar-quoted text,
// then $name, $1, ?1 and ?. What no alternative matches is passed over byte by byte.
var lexeme = regexp.MustCompile(`(?s)--[^\n]*|/\*.*?\*/|[eE]'(?:[^'\\]|\\.|'')*'|'(?:[^']|'')*'|"(?:[^"]|"")*"|[A-Za-z_][A-Za-z0-9_$]*|\$[A-Za-z_][A-Za-z0-9_]*\$?|\$\$|[$?][0-9]+|\?`)

// tokens finds the parameters of a text.
func tokens(query string) (out []token) {
	auto := 0
	for at := 0; at < len(query); {
		m := lexeme.FindStringIndex(query[at:])
		if m == nil {
			return out
		}
		from, to := at+m[0], at+m[1]
		word := query[from:to]
		at = to
		switch {
		case word == "$$" || len(word) > 2 && word[0] == '$' && word[len(word)-1] == '$': // a quote: to its twin
			if end := strings.Index(query[to:], word); end >= 0 {
				at = to + end + len(word)
			}
		case word == "?":
			auto++
			out = append(out, token{from, to, strconv.Itoa(auto)})
		case word[0] == '$' || word[0] == '?':
			out = append(out, token{from, to, word[1:]})
		}
	}
	return out
}

// Params are the names of the parameters of a text, each once, in the order of their first place.
func Params(query string) []string {
	var out []string
	for _, t := range tokens(query) {
		if !slices.Contains(out, t.name) {
			out = append(out, t.name)
		}
	}
	return out
}

// fillIn writes the arguments in.
func fillIn(query string, args []Arg) (string, error) {
	var b strings.Builder
	used, at := map[int]bool{}, 0
	for _, t := range tokens(query) {
		k := slices.IndexFunc(args, func(a Arg) bool { return a.Name == t.name })
		if n, err := strconv.Atoi(t.name); k < 0 && err == nil && n >= 1 && n <= len(args) && args[n-1].Name == "" {
			k = n - 1
		}
		if k < 0 {
			return "", &Error{Kind: KindInvalid, Message: "the parameter " + t.name + " has no value" + caret(query, t.from)}
		}
		text, err := literal(args[k].Value)
		if err != nil {
			return "", err
		}
		used[k] = true
		b.WriteString(query[at:t.from] + text)
		at = t.to
	}
	if len(used) < len(args) {
		return "", &Error{Kind: KindInvalid, Message: fmt.Sprintf("values given: %d, places for them in the query: %d", len(args), len(used))}
	}
	return b.String() + query[at:], nil
}

// literal writes a value so that DuckDB reads it back.
func literal(v any) (string, error) {
	switch x := v.(type) {
	case nil:
		return "NULL", nil
	case bool:
		return strconv.FormatBool(x), nil
	case int64:
		if x < 0 {
			return "(" + strconv.FormatInt(x, 10) + ")", nil
		}
		return strconv.FormatInt(x, 10), nil
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Sprintf("'%v'::DOUBLE", x), nil
		}
		return "(" + strconv.FormatFloat(x, 'e', -1, 64) + "::DOUBLE)", nil
	case string:
		if strings.ContainsRune(x, 0) {
			return "", &Error{Kind: KindInvalid, Message: "a value holds a zero byte"}
		}
		return quote(x), nil
	case time.Time:
		return "TIMESTAMP '" + x.UTC().Format("2006-01-02 15:04:05.999999") + "'", nil
	}
	return "", &Error{Kind: KindInvalid, Message: fmt.Sprintf("a value of type %T is none for a query", v)}
}

// shape gives the parameters of a text, and the text with a NULL in each of their places.
func shape(ctx context.Context, conn *sql.Conn, query string) ([]Param, string, error) {
	names := Params(query)
	if len(names) == 0 {
		return nil, query, nil
	}
	tree, err := parse(ctx, conn, query)
	if err != nil {
		return nil, "", err
	}
	types := map[string]string{}
	compared(tree, types)
	params, args := make([]Param, len(names)), make([]Arg, len(names))
	for i, n := range names {
		params[i], args[i] = Param{n, types[n]}, Arg{Name: n}
	}
	query, err = fillIn(query, args)
	return params, query, err
}

// compared notes the types of columns that stand in one condition with a parameter.
func compared(v any, types map[string]string) {
	switch v := v.(type) {
	case []any:
		for _, x := range v {
			compared(x, types)
		}
	case map[string]any:
		if c := str(v, "class"); c == "COMPARISON" || c == "BETWEEN" || c == "OPERATOR" {
			kind := ""
			var names []string
			for _, side := range append(list(v, "children"), v["left"], v["right"], v["input"], v["lower"], v["upper"]) {
				s, _ := side.(map[string]any)
				switch columns := list(s, "column_names"); {
				case str(s, "class") == "PARAMETER":
					names = append(names, str(s, "identifier"))
				case len(columns) > 0:
					kind = columnType(fmt.Sprint(columns[len(columns)-1]))
				}
			}
			for _, n := range names {
				if kind != "" {
					types[n] = kind
				}
			}
		}
		for _, key := range slices.Sorted(maps.Keys(v)) {
			compared(v[key], types)
		}
	}
}

// columnType is the type that a column has in every view that has it.
func columnType(name string) (kind string) {
	for _, v := range dictionary() {
		for _, c := range v.Columns {
			if strings.EqualFold(c.Name, name) {
				if kind != "" && kind != c.Type {
					return ""
				}
				kind = c.Type
			}
		}
	}
	return kind
}
