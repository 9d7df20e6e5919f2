package dashboards

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"
	"time"
)

// A drawing collects SVG elements. Colours, widths and patterns come from the style sheet by class, so
// that one drawing serves light, dark and print; no attribute needs an inline style.
type drawing struct{ b strings.Builder }

// begin opens a drawing of w by h units, named for people who do not see it.
func (d *drawing) begin(class string, w, h float64, label string) {
	fmt.Fprintf(&d.b, `<svg class="%s" viewBox="0 0 %s %s" role="img" aria-label="%s">`,
		class, num(w), num(h), html.EscapeString(label))
}

func (d *drawing) end() template.HTML {
	d.b.WriteString("</svg>")
	return template.HTML(d.b.String())
}

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&d.b, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, num(x1), num(y1), num(x2), num(y2))
}

func (d *drawing) rect(class string, x, y, w, h float64) {
	if w <= 0 || h <= 0 {
		return
	}
	fmt.Fprintf(&d.b, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, num(x), num(y), num(w), num(h))
}

// path draws straight lines through the points; fewer than two draw nothing.
func (d *drawing) path(class string, pts []xy, shut bool) {
	if len(pts) < 2 {
		return
	}
	fmt.Fprintf(&d.b, `<path class="%s" d="`, class)
	for i, p := range pts {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		fmt.Fprintf(&d.b, "%s%s %s", letter, num(p.x), num(p.y))
	}
	if shut {
		d.b.WriteByte('Z')
	}
	d.b.WriteString(`"/>`)
}

// dot is round where the test passed and a cross where it failed.
func (d *drawing) dot(class string, p xy, r float64, failed bool) {
	if !failed {
		fmt.Fprintf(&d.b, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`, class, num(p.x), num(p.y), num(r))
		return
	}
	fmt.Fprintf(&d.b, `<path class="%s fail" d="M%s %sL%s %sM%s %sL%s %s"/>`, class,
		num(p.x-r), num(p.y-r), num(p.x+r), num(p.y+r), num(p.x-r), num(p.y+r), num(p.x+r), num(p.y-r))
}

// diamond marks the middle of a forecast.
func (d *drawing) diamond(class string, p xy, r float64) {
	d.path(class, []xy{{p.x, p.y - r}, {p.x + r, p.y}, {p.x, p.y + r}, {p.x - r, p.y}}, true)
}

// text writes a label; anchor is start, middle or end.
func (d *drawing) text(class, anchor string, x, y float64, s string) {
	fmt.Fprintf(&d.b, `<text class="%s" text-anchor="%s" x="%s" y="%s">%s</text>`,
		class, anchor, num(x), num(y), html.EscapeString(s))
}

// named draws something that tells its words when it is pointed at.
func (d *drawing) named(words string, draw func()) {
	fmt.Fprintf(&d.b, "<g><title>%s</title>", html.EscapeString(words))
	draw()
	d.b.WriteString("</g>")
}

type xy struct{ x, y float64 }

// num writes a coordinate with one decimal at most: a tenth of a pixel is below what anyone sees.
func num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	s := fmt.Sprintf("%.1f", v)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// A span maps the interval [lo, hi] of a quantity to [from, to] on the drawing.
type span struct{ lo, hi, from, to float64 }

func (s span) at(v float64) float64 {
	if s.hi == s.lo {
		return (s.from + s.to) / 2
	}
	return s.from + (v-s.lo)/(s.hi-s.lo)*(s.to-s.from)
}

// held is at, kept inside the drawing.
func (s span) held(v float64) float64 {
	lo, hi := min(s.from, s.to), max(s.from, s.to)
	return min(max(s.at(v), lo), hi)
}

func (s span) time(t time.Time) float64 { return s.at(float64(t.Unix())) }

func (s span) heldTime(t time.Time) float64 { return s.held(float64(t.Unix())) }

func timeSpan(from, to time.Time, x0, x1 float64) span {
	return span{float64(from.Unix()), float64(to.Unix()), x0, x1}
}

// steps are round values inside [lo, hi], about n of them: 1, 2 or 5 times a power of ten apart.
func steps(lo, hi float64, n int) []float64 {
	if !(hi > lo) || n < 1 {
		return nil
	}
	raw := (hi - lo) / float64(n)
	pow := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * pow
	for _, m := range [...]float64{1, 2, 5} {
		if m*pow >= raw {
			step = m * pow
			break
		}
	}
	var out []float64
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+step*1e-9; k++ {
		out = append(out, k*step)
	}
	return out
}

// A tick is a labelled instant of a time axis.
type tick struct {
	at    time.Time
	label string
}

// days are the ticks of a time axis in the depot's zone, at most about n: day, week or month starts.
func days(from, to time.Time, zone *time.Location, n int) []tick {
	length := to.Sub(from)
	if length <= 0 || n < 1 {
		return nil
	}
	var out []tick
	local := from.In(zone)
	if perTick := length / time.Duration(n); perTick <= 21*24*time.Hour {
		stride := 1
		for _, s := range [...]int{1, 2, 7, 14, 21} {
			stride = s
			if time.Duration(s)*24*time.Hour >= perTick {
				break
			}
		}
		t := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
		if stride >= 7 { // weeks begin on Monday
			t = t.AddDate(0, 0, (8-int(t.Weekday()))%7)
		}
		for ; !t.After(to); t = t.AddDate(0, 0, stride) {
			if !t.Before(from) {
				out = append(out, tick{t, t.Format("2 Jan")})
			}
		}
		return out
	}
	months := int(math.Ceil(length.Hours() / 24 / 30.4 / float64(n)))
	t := time.Date(local.Year(), local.Month(), 1, 0, 0, 0, 0, zone)
	for ; !t.After(to); t = t.AddDate(0, months, 0) {
		if t.Before(from) {
			continue
		}
		form := "Jan"
		if t.Month() == time.January || len(out) == 0 {
			form = "Jan 2006"
		}
		out = append(out, tick{t, t.Format(form)})
	}
	return out
}
