package alerts

import (
	"cmp"
	"crypto/sha256"
	"encoding/base32"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// Namer puts tests into plain words.
type Namer interface {
	// Test is what a test measures; "" or the key itself where it is not known.
	Test(test string) string
}

// A Case is all that is known of one unit.
type Case struct {
	Unit      fleet.Unit
	Signals   []analyze.Signal
	Series    []analyze.Now
	Facts     []shop.Fact     // of the shop floor, in any order
	Names     Namer           // may be nil
	Knowledge *knowledge.Base // nil is the built-in one
}

// Derive gives the alerts of a unit: one a family of monitor and episode, in the order of Rank. It is a
// pure function: the same signals in any order give the same alerts, whatever the time of day. State is
// Open or, when every signal was taken back, Closed; what people decided is the book's.
//
// ExplainedBy is what explains every signal that stands without wear, with figures: the whole cohort moved, or the results
// far out came after fills, in heat, at altitude. OrderID is nil.
func Derive(c Case) []Alert {
	if c.Knowledge == nil {
		c.Knowledge = knowledge.Builtin()
	}
	d := deriver{Case: c, now: make(map[series.Key]*analyze.Now, len(c.Series)), zone: zoneOf(c.Unit.TimeZone)}
	for i := range c.Series {
		n := &c.Series[i]
		d.now[n.Key] = n
		if n.LastRead.After(d.newest) {
			d.newest = n.LastRead
		}
	}
	var list []Alert
	for _, e := range episodes(slices.Concat(c.Signals, reports(c.Unit.Unit, c.Facts))) {
		list = append(list, d.alert(e))
	}
	together(list, c.Knowledge)
	Rank(list)
	return list
}

type deriver struct {
	Case
	now    map[series.Key]*analyze.Now
	newest time.Time // newest reading of the unit
	zone   *time.Location
}

func (d *deriver) alert(e *episode) Alert {
	first := e.signals[0]
	a := Alert{
		ID: idOf("a", d.Unit.Unit, e.cause, strconv.Itoa(e.ordinal)), Unit: d.Unit.Unit,
		VIN: cmp.Or(first.VIN, d.Unit.VIN), ECU: first.Key.ECU, Family: e.family,
		Kind: e.kind(), State: Open, RaisedAt: first.RaisedAt, EndedAt: e.ended(),
	}
	for _, s := range e.signals {
		if !slices.Contains(a.Tests, s.Key.Test) {
			a.Tests = append(a.Tests, s.Key.Test)
		}
	}
	for _, k := range e.keys() {
		a.Evidence = append(a.Evidence, d.evidence(k, e.of(k)))
	}
	lead := a.Evidence[0]
	a.ExplainedBy = e.explained()
	a.Margin, a.DriftSince = lead.Margin, lead.Since
	if lead.EndedAt == nil {
		a.LimitAt = d.limitAt(first.Key)
	}
	at := d.newest
	if a.EndedAt != nil {
		a.State, at = Closed, *a.EndedAt
	}
	at = latest(at, a.RaisedAt)
	entry := d.Knowledge.For(e.family, first.Key.Test)
	a.Consequence = consequence(entry, &d.Unit, at, a.LimitAt)
	if a.Kind == analyze.NotRunning && a.Consequence != Compliance {
		a.Consequence = Note // nothing is known to be wrong; the unit is not protected
	}
	if a.Kind == Reported && a.EndedAt == nil {
		a.Consequence = Stop
	}
	a.RecentWork = recent(d.Facts, a.RaisedAt)
	a.Reason = d.reason(entry, &a, at)
	return a
}

// evidence is what a key's signals rest on, with its newest reading.
func (d *deriver) evidence(k series.Key, signals []analyze.Signal) Evidence {
	last := signals[len(signals)-1]
	v := Evidence{
		Test: k.Test, ECU: k.ECU, Name: d.name(k.Test), Kind: worst(signals), RaisedAt: signals[0].RaisedAt,
		Value: number(last.Evidence.Value), Limit: number(last.Evidence.Limit), Baseline: number(last.Evidence.Baseline),
		UnitOfMeasure: last.Evidence.UnitOfMeasure, Toward: last.Evidence.Toward, Used: number(last.Evidence.Used),
		Settings: last.Evidence.Settings,
	}
	ended := true
	for _, s := range signals {
		if since := s.Evidence.Since; !since.IsZero() && (v.Since == nil || since.Before(*v.Since)) {
			v.Since = &since
		}
		if s.Kind == v.Kind {
			if km := s.Evidence.OdometerKm; km > 0 {
				v.OdometerKm = &km
			}
			v.ClaimedAt = s.RaisedAt // the last time: one that ended before does not count
		}
		ended = ended && !s.EndedAt.IsZero()
		if v.EndedAt == nil || s.EndedAt.After(*v.EndedAt) {
			v.EndedAt, v.Ended = instant(s.EndedAt), s.Ended
		}
	}
	if !ended {
		v.EndedAt, v.Ended = nil, ""
	}
	n := d.now[k]
	if n == nil {
		return v
	}
	v.ReadAt, v.Margin = instant(n.LastRead), number(n.Margin)
	if n.State != series.StateOK {
		return v // the newest reading is no measurement: the one that raised it stays
	}
	v.Value, v.UnitOfMeasure = number(n.Value), n.UnitOfMeasure
	limits := map[string]float64{"max": n.Max, "min": n.Min}
	if l, ok := limits[v.Toward]; ok && !math.IsNaN(l) {
		v.Limit = &l
	}
	if n.Toward == v.Toward && !math.IsNaN(n.Used) {
		v.Used = number(n.Used)
	}
	return v
}

// name is a test in words, or its key where nobody knows more.
func (d *deriver) name(test string) string {
	if symptom, is := strings.CutPrefix(test, "report."); is {
		return shop.Symptom(symptom)
	}
	if d.Names != nil {
		if n := d.Names.Test(test); n != "" && n != test {
			return n
		}
	}
	return "Test " + test
}

// limitAt is the forecast of a series; nil where there is none.
func (d *deriver) limitAt(k series.Key) *Limit {
	n := d.now[k]
	if n == nil || n.Crossing == nil {
		return nil
	}
	c := n.Crossing
	return &Limit{P10: instant(c.P10), P50: instant(c.P50), P90: instant(c.P90)}
}

// Rank puts alerts in the order of the list: consequence, earliest likely date (none last), time raised, id.
func Rank(list []Alert) {
	slices.SortFunc(list, func(a, b Alert) int {
		return cmp.Or(
			slices.Index(worstFirst, a.Consequence)-slices.Index(worstFirst, b.Consequence),
			compareDates(a.earliest(), b.earliest()),
			a.RaisedAt.Compare(b.RaisedAt),
			cmp.Compare(a.ID, b.ID))
	})
}

// earliest is the early end of the forecast; nil when there is none.
func (a *Alert) earliest() *time.Time {
	if a.LimitAt == nil {
		return nil
	}
	return a.LimitAt.P10
}

// compareDates orders dates, none last.
func compareDates(a, b *time.Time) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return 1
	case b == nil:
		return -1
	}
	return a.Compare(*b)
}

// idOf is a short stable name: the kind's letter and 60 bits of a hash over the parts.
func idOf(kind string, parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p))
		h.Write([]byte{0})
	}
	return kind + "-" + base32.StdEncoding.EncodeToString(h.Sum(nil))[:12]
}

// number is a figure that may be absent.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// instant is a time that may be absent.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// key is the series that raised the alert.
func (a *Alert) key() series.Key { return series.Key{Unit: a.Unit, ECU: a.ECU, Test: a.Tests[0]} }
