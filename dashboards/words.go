package dashboards

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/series"
)

// figure writes a quantity with three significant digits, more only where whole numbers need them.
func figure(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	if v == 0 {
		return "0"
	}
	if math.Abs(v) >= 1000 {
		return strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	}
	s := strconv.FormatFloat(v, 'g', 3, 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil && math.Abs(f) >= 1e-4 {
		s = strconv.FormatFloat(f, 'f', -1, 64)
	}
	return strings.Replace(s, "-", "−", 1)
}

var sentenceEnd = regexp.MustCompile(`[.!?]\s+\p{Lu}`)

// headline is the first sentence of a reason, for lists; rest is what follows it.
func headline(reason string) string {
	if at := sentenceEnd.FindStringIndex(reason); at != nil {
		return reason[:at[0]+1]
	}
	return reason
}

func rest(reason string) string { return strings.TrimSpace(reason[len(headline(reason)):]) }

var isoDay = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`)

// plainDays writes the days of a sentence as the pages do: 22 May, not 2026-05-22.
func plainDays(s string) string {
	return isoDay.ReplaceAllStringFunc(s, func(d string) string {
		t, err := time.Parse(time.DateOnly, d)
		if err != nil {
			return d
		}
		return t.Format("2 Jan")
	})
}

// fixed writes a number with so many decimals, for columns that are read downward.
func fixed(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	return strings.Replace(strconv.FormatFloat(v, 'f', decimals, 64), "-", "−", 1)
}

// percent writes a share with a whole number.
func percent(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	return strings.Replace(strconv.Itoa(int(math.Round(v*100))), "-", "−", 1) + " %"
}

// unitSigns are the UCUM codes (The Unified Code for Units of Measure) that need another form on a screen.
// Codes that are not listed read as they are.
var unitSigns = map[string]string{
	"1": "", "Cel": "°C", "Ohm": "Ω", "mOhm": "mΩ", "kOhm": "kΩ", "deg": "°", "[degF]": "°F",
	"[psi]": "psi", "[mi_i]": "mi", "{count}": "counts", "{counts}": "counts", "[ppm]": "ppm", "[ppth]": "‰",
	"[in_i'H2O]": "inH₂O", "[in_i'H2O]/s": "inH₂O/s", "[gal_us]": "gal", "[gal_us]/h": "gal/h", "[lb_av]": "lb", "[lb_av]/min": "lb/min",
	"[lb_av]/h": "lb/h", "[ft_i]": "ft", "[in_i]": "in", "[mi_i]/h": "mph", "ug": "µg", "us": "µs", "uA": "µA", "um": "µm", "uV": "µV", "{event}": "events",
}

func unitSign(ucum string) string {
	if s, ok := unitSigns[ucum]; ok {
		return s
	}
	return ucum
}

// measure is a quantity with its unit.
func measure(v float64, ucum string) string {
	sign := unitSign(ucum)
	if sign == "" || math.IsNaN(v) {
		return figure(v)
	}
	return figure(v) + " " + sign
}

// ago is how long ago t was, in the one unit that matters.
func ago(t, now time.Time) string {
	if t.IsZero() {
		return "never"
	}
	d := now.Sub(t)
	switch {
	case d < 0:
		return "just now"
	case d < 2*time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d minutes ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d hours ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// window is "9 to 24 Apr": the days between which the limit is likely to be reached, in the depot's zone.
func window(l *alerts.Limit, zone *time.Location) string {
	if l == nil {
		return "not enough evidence for a date"
	}
	day := func(t *time.Time) string { return t.In(zone).Format("2 Jan") }
	switch {
	case l.P10 == nil && l.P50 == nil && l.P90 == nil:
		return "beyond a year"
	case l.P10 == nil:
		return "not enough evidence for a date"
	case l.P90 == nil:
		return day(l.P10) + " at the earliest"
	case day(l.P10) == day(l.P90):
		return day(l.P10)
	}
	return day(l.P10) + " to " + day(l.P90)
}

// due is how many days are left until the earliest likely day.
func due(l *alerts.Limit, now time.Time) string {
	if l == nil || l.P10 == nil {
		return ""
	}
	n := int(math.Floor(l.P10.Sub(now).Hours() / 24))
	switch {
	case n < 0:
		return "the early end has passed"
	case n == 0:
		return "from today"
	}
	return "in " + plural(n, "day", "days") + " at the earliest"
}

func limitOf(c *analyze.Crossing) *alerts.Limit {
	if c == nil {
		return nil
	}
	at := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		return &t
	}
	return &alerts.Limit{P10: at(c.P10), P50: at(c.P50), P90: at(c.P90)}
}

// A class is a consequence as people read it. Shape goes with the word, so that colour is never alone.
type class struct{ Word, Wait, Shape string }

var shapes = map[alerts.Consequence]string{
	alerts.Stop: "octagon", alerts.RoadCall: "triangle", alerts.Compliance: "diamond", alerts.Cost: "square", alerts.Note: "ring",
}

func classOf(c alerts.Consequence) class {
	name, follows := c.Words()
	k := class{Word: name, Shape: cmp.Or(shapes[c], "ring")}
	if follows != "" {
		k.Wait = strings.ToUpper(follows[:1]) + follows[1:] + "."
	}
	return k
}

var stateWords = map[alerts.State]string{
	alerts.Open: "open", alerts.Acknowledged: "acknowledged", alerts.Explained: "explained", alerts.Muted: "muted",
	alerts.Ordered: "work order made", alerts.Verifying: "repair being verified", alerts.Closed: "closed",
	alerts.Withdrawn: "withdrawn: later data took its support away",
}

var kindWords = map[analyze.Kind]string{
	analyze.Drift: "drifting to its limit", analyze.Jump: "jumped", analyze.Imminent: "limit is near",
	analyze.Failed: "failed a test", analyze.Intermittent: "comes and goes", analyze.Surprise: "surprise: a code without warning",
	analyze.NotRunning: "test no longer runs", alerts.Reported: "reported by a person",
}

// standing is the state of a series in words. What was seen long ago is not said of today.
func (s *Server) standing(n analyze.Now) string {
	words, now, read := standing(n), s.deps.Now(), s.deps.Series.LastPoll(n.Key.Unit)
	if n.LastRead.Before(read) {
		read = n.LastRead
	}
	if words == noDrift && (now.Sub(read) > s.cfg.SilentAfter || now.Sub(n.LastFresh) > s.cfg.QuietAfter) {
		return "no sign of drift when it last ran; nothing is known of it since"
	}
	return words
}

const noDrift = "no sign of drift"

func standing(n analyze.Now) string {
	switch n.State {
	case series.StateNotRun:
		return "has not run since codes were cleared"
	case series.StateNoLimit:
		return "has no limit: not watched"
	case series.StateConstant:
		return "a constant: not watched"
	case series.StateInvalid:
		return "last reading was not a measurement"
	}
	switch {
	case n.Passed == series.False:
		return "failed"
	case n.Learning:
		return "learning its healthy level"
	case n.Threshold > 0 && n.Score >= n.Threshold:
		return "drifting"
	}
	return noDrift
}

var familyWords = map[string]string{
	"boost": "boost pressure", "catalyst": "catalyst", "egr": "exhaust gas recirculation", "evap": "fuel vapour system",
	"fuel_system": "fuel system", "heated_catalyst": "heated catalyst", "manufacturer": "vehicle maker's own tests",
	"misfire": "misfire", "nox_adsorber": "NOx adsorber", "nox_catalyst_scr": "NOx catalyst (SCR)",
	"o2_heater": "oxygen sensor heater", "o2_sensor": "oxygen sensor", "pm_filter": "particulate filter",
	"pm_filter_or_misfire": "particulate filter or misfire", "secondary_air": "secondary air", "vvt": "variable valve timing",
	"reserved": "reserved test ids", "unknown": "other tests", "": "other tests",
}

// familyTitle is the family of a monitor in the words of the trade.
func familyTitle(family string) string {
	if w, ok := familyWords[family]; ok {
		return w
	}
	return strings.ReplaceAll(family, "_", " ")
}
