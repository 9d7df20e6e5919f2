package dashboards

import (
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"marginline/sql"
)

// Size of the drawing, in its own units.
const (
	sqlWide, sqlHigh = 720.0, 240.0
	sqlLeft, sqlFoot = 64.0, 28.0
)

// sqlChart draws an answer whose first column is a time, a number or a name and whose others hold numbers:
// lines over times and numbers, bars over names. "" = there is nothing to draw.
func sqlChart(columns []sql.Column, rows [][]any) template.HTML {
	if len(columns) < 2 || len(rows) < 2 {
		return ""
	}
	var series []int
	for i, c := range columns[1:] {
		if sql.Numeric(c.Type) && len(series) < 4 {
			series = append(series, i+1)
		}
	}
	if len(series) == 0 {
		return ""
	}
	named := columns[0].Type == "VARCHAR"
	if named && len(rows) > 40 {
		return ""
	}
	xs := make([]float64, len(rows))
	lowX, highX := math.Inf(1), math.Inf(-1)
	lowY, highY := math.Inf(1), math.Inf(-1)
	if named {
		lowY = 0
	}
	for i, row := range rows {
		x, ok := place(row[0])
		if named {
			x, ok = float64(i), true
		}
		if !ok {
			x = math.NaN()
		}
		xs[i] = x
		lowX, highX = min(lowX, orElse(x, lowX)), max(highX, orElse(x, highX))
		for _, k := range series {
			if y, ok := place(row[k]); ok {
				lowY, highY = min(lowY, y), max(highY, y)
			}
		}
	}
	if !(highX > lowX) || math.IsInf(lowY, 0) {
		return ""
	}
	if highY == lowY {
		highY++
	}
	if named {
		series, lowX, highX = series[:1], lowX-0.5, highX+0.5
	}
	at := func(x, y float64) (float64, float64) {
		return sqlLeft + (x-lowX)/(highX-lowX)*(sqlWide-sqlLeft-8), 8 + (highY-y)/(highY-lowY)*(sqlHigh-sqlFoot-8)
	}
	var names []string
	var b strings.Builder
	for n, k := range series {
		names = append(names, columns[k].Name)
		if named {
			sqlBars(&b, rows, k, at, max(lowY, 0))
		} else {
			sqlLine(&b, n, xs, rows, k, at)
		}
	}
	for _, y := range []float64{lowY, (lowY + highY) / 2, highY} {
		_, py := at(lowX, y)
		fmt.Fprintf(&b, `<path class="grid" d="M%.1f %.1fH%.1f"/><text x="%.1f" y="%.1f" text-anchor="end">%.4g</text>`, sqlLeft, py, sqlWide-8, sqlLeft-6, py+4, y)
	}
	first, last := axisWords(rows[0][0]), axisWords(rows[len(rows)-1][0])
	fmt.Fprintf(&b, `<text x="%.1f" y="%.1f">%s</text><text x="%.1f" y="%.1f" text-anchor="end">%s</text>`, sqlLeft, sqlHigh-8,
		template.HTMLEscapeString(first), sqlWide-8, sqlHigh-8, template.HTMLEscapeString(last))
	label := strings.Join(names, ", ") + " over " + columns[0].Name + "; the same numbers are in the table"
	return template.HTML(fmt.Sprintf(`<svg class="sqlchart" viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">%s</svg>`, sqlWide, sqlHigh,
		template.HTMLEscapeString(label), b.String()))
}

func sqlLine(b *strings.Builder, n int, xs []float64, rows [][]any, k int, at func(x, y float64) (float64, float64)) {
	var d strings.Builder
	up := true // the next point begins a line
	for i, row := range rows {
		y, ok := place(row[k])
		if !ok || math.IsNaN(xs[i]) {
			up = true
			continue
		}
		px, py := at(xs[i], y)
		command := "L"
		if up {
			command = "M"
		}
		fmt.Fprintf(&d, "%s%.1f %.1f", command, px, py)
		up = false
	}
	fmt.Fprintf(b, `<path class="line line-%d" d="%s"/>`, n+1, d.String())
}

func sqlBars(b *strings.Builder, rows [][]any, k int, at func(x, y float64) (float64, float64), base float64) {
	for i, row := range rows {
		y, ok := place(row[k])
		if !ok {
			continue
		}
		x1, py := at(float64(i)-0.4, y)
		x2, p0 := at(float64(i)+0.4, base)
		fmt.Fprintf(b, `<rect class="bar" x="%.1f" y="%.1f" width="%.1f" height="%.1f"><title>%s: %s</title></rect>`, x1, min(py, p0), x2-x1, math.Abs(p0-py),
			template.HTMLEscapeString(sql.Text(row[0])), template.HTMLEscapeString(sql.Text(row[k])))
	}
}

// place is where a value stands on an axis.
func place(v any) (float64, bool) {
	var f float64
	switch x := v.(type) {
	case float64:
		f = x
	case float32:
		f = float64(x)
	case time.Time:
		f = float64(x.Unix())
	case json.Number:
		var err error
		if f, err = x.Float64(); err != nil {
			return 0, false
		}
	case string: // a day
		t, err := time.Parse(time.DateOnly, x)
		return float64(t.Unix()), err == nil
	default:
		if _, err := fmt.Sscan(fmt.Sprint(v), &f); err != nil {
			return 0, false
		}
	}
	return f, !math.IsNaN(f) && !math.IsInf(f, 0)
}

func orElse(x, other float64) float64 {
	if math.IsNaN(x) {
		return other
	}
	return x
}

func axisWords(v any) string {
	if t, ok := v.(time.Time); ok {
		return t.Format("2006-01-02 15:04")
	}
	return sql.Text(v)
}
