package dashboards

import (
	"net/http"
	"net/url"
	"slices"
	"time"
)

// A lens is what a reader asked to see of a course: a stretch of time, conditions beside it, peers behind it.
// It is kept in the address, so that a link shows what its sender saw, and the script changes nothing else.
type lens struct {
	From, To time.Time // zero: from the first reading, to the end of the forecast
	With     []quantity
	Peers    string // "yes", "no", or "" where the reader did not say
	Fault    string
}

const lensForm = "2006-01-02T15:04:05Z"

// lensOf reads the lens of a request. A day without a time of day is that day in the zone; a stretch that is
// none is said and not used.
func lensOf(r *http.Request, zone *time.Location) lens {
	q := r.URL.Query()
	l := lens{Peers: q.Get("peers")}
	for _, c := range quantities {
		if slices.Contains(q["with"], c.Column) {
			l.With = append(l.With, c)
		}
	}
	var err1, err2 error
	if v := q.Get("from"); v != "" {
		l.From, err1 = instantOf(v, zone, 0)
	}
	if v := q.Get("to"); v != "" {
		l.To, err2 = instantOf(v, zone, 1)
	}
	if err1 != nil || err2 != nil || !l.From.IsZero() && !l.To.IsZero() && !l.To.After(l.From) {
		l.From, l.To, l.Fault = time.Time{}, time.Time{}, "Give two days, the second not before the first; the whole course is shown."
	}
	return l
}

// instantOf reads a time in RFC 3339, or a day: its beginning, or with more 1 its end.
func instantOf(v string, zone *time.Location, more int) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, v); err == nil {
		return t, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, v, zone)
	return t.AddDate(0, 0, more), err
}

// Shows says whether a moment lies in the stretch.
func (l lens) Shows(t time.Time) bool {
	return !t.Before(l.From) && (l.To.IsZero() || !t.After(l.To))
}

// query is the part of the address that chooses conditions and peers, with the question mark.
func (l lens) query() string {
	q := url.Values{}
	for _, c := range l.With {
		q.Add("with", c.Column)
	}
	if l.Peers == "yes" {
		q.Set("peers", "yes")
	}
	if len(q) == 0 {
		return ""
	}
	return "?" + q.Encode()
}

// lensFields are a lens as the fields of a form.
type lensFields struct {
	From, To   string // days
	Since, End string // instants, for the script; "" where not chosen
	Conditions []lensChoice
	Peers      string
	Zoomed     bool
	Whole      string // the address without a stretch
	Fault      string
}

type lensChoice struct {
	quantity
	On bool
}

func (l lens) fields(zone *time.Location) lensFields {
	f := lensFields{Peers: l.Peers, Zoomed: !l.From.IsZero() || !l.To.IsZero(), Whole: l.query(), Fault: l.Fault}
	if !l.From.IsZero() {
		f.From, f.Since = l.From.In(zone).Format(time.DateOnly), l.From.UTC().Format(lensForm)
	}
	if !l.To.IsZero() {
		f.To, f.End = l.To.Add(-time.Second).In(zone).Format(time.DateOnly), l.To.UTC().Format(lensForm)
	}
	for _, c := range quantities {
		f.Conditions = append(f.Conditions, lensChoice{c, slices.ContainsFunc(l.With, func(w quantity) bool { return w.Column == c.Column })})
	}
	return f
}
