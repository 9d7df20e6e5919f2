package delivery

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	htmltemplate "html/template"
	"net/url"
	"regexp"
	"strings"
	"text/template"
	"time"
	"unicode"

	"marginline/alerts"
	"marginline/alerts/knowledge"
)

// A letter is a mail before it is addressed.
type letter struct {
	Subject    string
	Text, HTML string
	Thread     string // what mails of one alert have in common; "" for none
}

//go:embed letter.txt
var letterText string

//go:embed letter.html
var letterHTML string

var letterFuncs = map[string]any{
	"class": className, "follows": follows,
	"what": func(h alerts.Happening) string { return string(h) }, "headline": headline, "line": oneLine,
	"alertpath": func(base, id string) string { return strings.TrimRight(base, "/") + "/alerts/" + url.PathEscape(id) },
	"upper":     strings.ToUpper,
}

var (
	textLetter = template.Must(template.New("letter.txt").Funcs(letterFuncs).Parse(letterText))
	htmlLetter = htmltemplate.Must(htmltemplate.New("letter.html").Funcs(letterFuncs).Parse(letterHTML))
)

func className(c alerts.Consequence) string { name, _ := c.Words(); return name }

func follows(c alerts.Consequence) string { _, follows := c.Words(); return follows }

// what the templates read.
type letterBody struct {
	Kind   string // alert, digest or test
	Title  string
	Pages  string // where the pages are; "" for no links
	Why    string // it was sent
	Zone   *time.Location
	Alert  alerts.Alert
	Depot  string
	Change string // raised, worsened, reopened
	Limit  string
	Safety []knowledge.Caution
	Defer  string
	Keep   string // codes are not cleared
	Digest Digest
	Days   []visitDay
	Who    string
}

type visitDay struct {
	Day    string
	Visits []Visit
}

// Stamp is an instant in the recipient's zone.
func (b letterBody) Stamp(t time.Time) string {
	return t.In(b.Zone).Format("Mon 2 Jan 2006, 15:04 MST")
}

// Day is the day of an instant in the recipient's zone.
func (b letterBody) Day(t time.Time) string { return t.In(b.Zone).Format("Mon 2 Jan") }

// compose writes an event as a letter to a mailbox.
func compose(e Event, to *Mailbox, pages string) (letter, error) {
	kb := knowledge.Builtin()
	b := letterBody{Pages: pages, Zone: to.zone(to.places), Defer: kb.Common.Deference, Keep: kb.Common.DoNotClear,
		Why: "You get this because " + to.To + " is a recipient in the settings (" + to.when(to.places) + ")."}
	var l letter
	switch e.Type {
	case Test:
		b.Kind, b.Title = "test", "Test message"
		var d map[string]string
		if err := json.Unmarshal(e.Data, &d); err != nil {
			return l, fmt.Errorf("mail: %w", err)
		}
		b.Who = d["sent_by"]
		l.Subject = "Test message of marginline"
	case Daily:
		if err := json.Unmarshal(e.Data, &b.Digest); err != nil {
			return l, fmt.Errorf("mail: %w", err)
		}
		b.Kind, b.Title = "digest", "Daily digest"
		l.Subject = digestSubject(&b)
	default:
		a, is := e.alert()
		if !is {
			return l, fmt.Errorf("mail: event %s of type %s tells no alert", e.ID, e.Type)
		}
		b.Kind, b.Alert, b.Depot, b.Limit = "alert", a, to.places.Depot(a.Unit), limitWords(a.LimitAt, b.Zone)
		b.Change = e.Type[strings.LastIndexByte(e.Type, '.')+1:]
		b.Title = className(a.Consequence) + ": unit " + a.Unit
		test := ""
		if len(a.Tests) > 0 {
			test = a.Tests[0]
		}
		b.Safety = kb.Cautions(kb.For(a.Family, test).Safety)
		again := map[string]string{Reopened: " again", Worsened: ", worse than before"}[e.Type]
		l.Subject = fmt.Sprintf("%s: unit %s%s. %s", className(a.Consequence), a.Unit, again, headline(a.Reason))
		l.Thread = a.ID
	}
	l.Subject = short(oneLine(l.Subject), 140)
	var text, html bytes.Buffer
	if err := textLetter.Execute(&text, b); err != nil {
		return l, fmt.Errorf("mail: %w", err)
	}
	if err := htmlLetter.Execute(&html, b); err != nil {
		return l, fmt.Errorf("mail: %w", err)
	}
	l.Text, l.HTML = strings.TrimSpace(text.String())+"\n", html.String()
	return l, nil
}

func digestSubject(b *letterBody) string {
	g := &b.Digest
	for _, v := range g.Visits {
		day := v.Day.Words()
		if n := len(b.Days); n == 0 || b.Days[n-1].Day != day {
			b.Days = append(b.Days, visitDay{Day: day})
		}
		b.Days[len(b.Days)-1].Visits = append(b.Days[len(b.Days)-1].Visits, v)
	}
	of := "All depots"
	if len(g.Depots) > 0 {
		of = strings.Join(g.Depots, ", ")
	}
	s := fmt.Sprintf("%s, %s: %d new", of, b.Day(g.Until), len(g.News)+g.MoreNews)
	if g.Stop > 0 {
		s += fmt.Sprintf(", %d must not leave", g.Stop)
	}
	return s + fmt.Sprintf(", %d alerts stand", len(g.Standing)+g.More)
}

// limitWords is when the limit is likely to be reached; "" where there is not enough evidence.
func limitWords(l *alerts.Limit, zone *time.Location) string {
	day := func(t *time.Time, none string) string {
		if t == nil {
			return none
		}
		return t.In(zone).Format("2 Jan 2006")
	}
	if l == nil {
		return ""
	}
	return "between " + day(l.P10, "a year from now") + " and " + day(l.P90, "more than a year from now")
}

var sentenceEnd = regexp.MustCompile(`[.!?]\s+\p{Lu}`)

// headline is the first sentence of a reason.
func headline(s string) string {
	if at := sentenceEnd.FindStringIndex(s); at != nil {
		return s[:at[0]+1]
	}
	return s
}

// oneLine makes text of other people one line without controls: as a header it could otherwise end that header
// and begin one of its own (RFC 5322, 2.2).
func oneLine(s string) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "?"), "=?", "= ?") // else a reader would decode it (RFC 2047)
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029'
	}), " ")
}

func short(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return strings.TrimSpace(string(r[:most-1])) + "…"
	}
	return s
}
