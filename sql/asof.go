package sql

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// An AsOf is a state of the past: a snapshot, else a time. The zero value is the present.
type AsOf struct {
	Snapshot int64
	At       time.Time
}

// IsZero says whether the present is meant.
func (a AsOf) IsZero() bool { return a.Snapshot == 0 && a.At.IsZero() }

func (a AsOf) String() string {
	if a.Snapshot != 0 {
		return "snapshot " + strconv.FormatInt(a.Snapshot, 10)
	}
	return a.At.UTC().Format(time.RFC3339)
}

// ParseAsOf reads a state as people write it: a snapshot's number, a day, or a time; without a zone it is UTC.
func ParseAsOf(s string) (AsOf, error) {
	s = strings.TrimSpace(s)
	if n, err := strconv.ParseInt(s, 10, 64); err == nil && n > 0 {
		return AsOf{Snapshot: n}, nil
	}
	for _, form := range []string{time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04", time.DateOnly} {
		if t, err := time.Parse(form, s); err == nil {
			return AsOf{At: t.UTC()}, nil
		}
	}
	return AsOf{}, &Error{Kind: KindInvalid, Message: fmt.Sprintf("as of %q: want a time such as 2026-03-01T06:00:00Z, a day, or the number of a snapshot", s)}
}

// asOfWords leads a query: AS OF '2026-03-01' SELECT ..., AS OF SNAPSHOT 123 SELECT ... No statement of
// DuckDB begins with AS, so nothing else can be meant.
var asOfWords = regexp.MustCompile(`(?is)^((?:\s|--[^\n]*\n|/\*.*?\*/)*as\s+of\s+(?:timestamp\s+|snapshot\s+)?(?:'([^']*)'|([0-9]+))\s)`)

// CutAsOf takes a leading AS OF off a query. Blanks stay in its place, so that errors keep their lines.
func CutAsOf(query string) (rest string, as AsOf, err error) {
	m := asOfWords.FindStringSubmatch(query)
	if m == nil {
		return query, as, nil
	}
	if as, err = ParseAsOf(m[2] + m[3]); err != nil {
		return query, as, err
	}
	blank := strings.Map(func(r rune) rune {
		if r == '\n' {
			return r
		}
		return ' '
	}, m[1])
	return blank + query[len(m[1]):], as, nil
}

// MayGoBack says whether views can be read as of a state of the past: an *Error names the one that cannot, why,
// and what can be asked instead. The notes are what has to be told beside an answer.
func (a AsOf) MayGoBack(views []string) (notes []string, err error) {
	if a.IsZero() {
		return nil, nil
	}
	for _, name := range views {
		v, ok := lookup(name)
		if !ok {
			continue
		}
		switch v.Past.Kind {
		case "no":
			return nil, &Error{Kind: KindInvalid, Message: fmt.Sprintf("%s cannot be read as of %s: %s", name, a, v.Past.Words), Hint: v.Past.Instead}
		case "present":
			notes = append(notes, name+" is not as of "+a.String()+": "+v.Past.Words)
		}
	}
	return notes, nil
}
