package sql

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/marcboeker/go-duckdb"
)

// A Kind classes what went wrong with a query.
type Kind string

// The kinds of error.
const (
	KindSyntax  Kind = "syntax"  // not SQL
	KindRefused Kind = "refused" // SQL, but not allowed here
	KindInvalid Kind = "invalid" // DuckDB could not bind or run it
	KindTimeout Kind = "timeout" // took longer than Config.Timeout
	KindMemory  Kind = "memory"  // needs more than Config.MemoryLimit
)

// An Error is what a person who wrote a query reads. Failures of the system beneath are other errors.
type Error struct {
	Kind    Kind
	Message string // with the line and a caret under the place, where it is known
	Hint    string // the next step, or ""
}

func (e *Error) Error() string {
	if e.Hint == "" {
		return e.Message
	}
	return e.Message + "\n" + e.Hint
}

func refuse(query string, at int, hint, format string, args ...any) *Error {
	return &Error{Kind: KindRefused, Message: fmt.Sprintf(format, args...) + caret(query, at), Hint: hint}
}

// caret shows the line of the query that holds byte at, with a caret under it.
func caret(query string, at int) string {
	if at < 0 || at > len(query) {
		return ""
	}
	start := strings.LastIndexByte(query[:at], '\n') + 1
	line, _, _ := strings.Cut(query[start:], "\n")
	line = strings.TrimRight(line, "\r")
	prefix := fmt.Sprintf("LINE %d: ", 1+strings.Count(query[:start], "\n"))
	pad := []rune(prefix + query[start:at])
	for i, r := range pad {
		if r != '\t' {
			pad[i] = ' '
		}
	}
	return "\n" + prefix + line + "\n" + string(pad) + "^"
}

var linePlace = regexp.MustCompile(`(?s)^(.*\nLINE )(\d+)(: [^\n]*\n)( *\^.*)$`)

// lineAsWritten corrects the place that DuckDB gives: the query stands one line down in what it ran.
func lineAsWritten(msg string) string {
	m := linePlace.FindStringSubmatch(msg)
	if m == nil {
		return msg
	}
	n, err := strconv.Atoi(m[2])
	if err != nil || n < 2 {
		return msg
	}
	line := strconv.Itoa(n - 1)
	return m[1] + line + m[3] + m[4][len(m[2])-len(line):] // 10 becomes 9: the caret moves with it
}

// explain turns what DuckDB says into an Error; ctx is the query's own, cause the caller's.
func (e *Engine) explain(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(context.Cause(ctx), errTooLong) {
		return &Error{
			Kind:    KindTimeout,
			Message: fmt.Sprintf("the query was stopped after %v", e.config.Timeout),
			Hint:    "ask for fewer units or a shorter time: conditions on unit, vin, test and read_at are cheap",
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var d *duckdb.Error
	if !errors.As(err, &d) {
		return &Error{Kind: KindInvalid, Message: strings.TrimPrefix(err.Error(), "database/sql/driver: "), Hint: "cast the column to text: column::VARCHAR"}
	}
	msg := lineAsWritten(strings.TrimSpace(d.Msg))
	switch d.Type {
	case duckdb.ErrorTypeOutOfMemory:
		return &Error{Kind: KindMemory, Message: "the query needs more memory than it may use (" + e.config.MemoryLimit + ")",
			Hint: "ask for fewer columns, units or days, or sum up before sorting and joining"}
	case duckdb.ErrorTypeParser, duckdb.ErrorTypeSyntax:
		return &Error{Kind: KindSyntax, Message: msg, Hint: viewsHint}
	case duckdb.ErrorTypeInternal, duckdb.ErrorTypeFatal:
		msg, _, _ = strings.Cut(msg, "\nStack Trace")
		return fmt.Errorf("sql: duckdb: %s", msg)
	case duckdb.ErrorTypeBinder, duckdb.ErrorTypeCatalog, duckdb.ErrorTypeMissingExtension:
		msg, _, _ = strings.Cut(msg, "\n\nPlease try installing")
		if strings.Contains(msg, "TIME ZONE") || strings.Contains(msg, "'timezone(") || strings.Contains(msg, "icu extension") {
			return &Error{Kind: KindInvalid, Message: candidates.ReplaceAllString(msg, "\n"), Hint: zoneHint}
		}
		return &Error{Kind: KindInvalid, Message: candidates.ReplaceAllString(msg, "\n"), Hint: viewsHint}
	}
	return &Error{Kind: KindInvalid, Message: msg}
}

const zoneHint = "times here are UTC without a zone: write x::TIMESTAMP, and local_time(x, 'America/Chicago') for a wall clock"

// candidates is the list of every form of a function, where it is so long that it hides the place.
var candidates = regexp.MustCompile(`(?:\n\t[^\n]*){12,}\n+`)

var errTooLong = errors.New("query over its time")
