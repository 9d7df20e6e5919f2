package sql

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// A Kind classes what went wrong with a query.
type Kind string

// The kinds of error.
const (
	KindSyntax  Kind = "syntax"  // not SQL
	KindRefused Kind = "refused" // SQL, but not allowed here
	KindInvalid Kind = "invalid" // DuckDB could not bind or run it
	KindTimeout Kind = "timeout" // took longer than Config.Timeout
	KindMemory  Kind = "memory"  // needs more than Config.MemoryLimit, or Config.TempSize on disk
	KindCrashed Kind = "crashed" // DuckDB gave up on it; only its own process ended
	KindClosed  Kind = "closed"  // the fence that Config.Fence wants is not to be had here
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

// explain turns what DuckDB says into an Error. Its Arrow interface gives text alone, so the text decides.
func (w *worker) explain(err error) error {
	var own *Error
	if err == nil || errors.As(err, &own) {
		return err
	}
	msg := err.Error()
	for _, p := range []string{"database/sql/driver: ", "duckdb_execute_prepared_arrow: "} {
		msg = strings.TrimPrefix(msg, p)
	}
	msg = lineAsWritten(strings.TrimSpace(msg))
	kind, _, _ := strings.Cut(msg, " Error:")
	switch kind {
	case "Out of Memory":
		return &Error{Kind: KindMemory, Message: "the query needs more memory than it may use (" + w.config.MemoryLimit + ")", Hint: memoryHint}
	case "Parser", "Syntax":
		return &Error{Kind: KindSyntax, Message: msg, Hint: viewsHint}
	case "INTERNAL", "FATAL":
		msg, _, _ = strings.Cut(msg, "\nStack Trace")
		return fmt.Errorf("sql: duckdb: %s", msg)
	case "Binder", "Catalog", "Missing Extension":
		msg, _, _ = strings.Cut(msg, "\n\nPlease try installing")
		if strings.Contains(msg, "TIME ZONE") || strings.Contains(msg, "'timezone(") || strings.Contains(msg, "icu extension") {
			return &Error{Kind: KindInvalid, Message: candidates.ReplaceAllString(msg, "\n"), Hint: zoneHint}
		}
		return &Error{Kind: KindInvalid, Message: candidates.ReplaceAllString(msg, "\n"), Hint: viewsHint}
	case "IO":
		if strings.Contains(msg, "max_temp_directory_size") || strings.Contains(msg, "max size") {
			return &Error{Kind: KindMemory, Message: "the query needs more room for intermediate results than it may use (" + w.config.TempSize + ")", Hint: memoryHint}
		}
		return fmt.Errorf("sql: duckdb: %s", msg)
	}
	return &Error{Kind: KindInvalid, Message: msg}
}

const memoryHint = "ask for fewer columns, units or days, or sum up before sorting and joining"

const timeHint = "ask for fewer units or a shorter time: conditions on unit, vin, test and read_at are cheap"

const zoneHint = "times here are UTC without a zone: write x::TIMESTAMP, and local_time(x, 'America/Chicago') for a wall clock"

// candidates is the list of every form of a function, where it is so long that it hides the place.
var candidates = regexp.MustCompile(`(?:\n\t[^\n]*){12,}\n+`)
