package dashboards

import (
	"math"

	"marginline/analyze"
	"marginline/ingest/series"
)

// A customary unit is what people in the United States read instead of a metric one: v * scale + offset.
type customary struct {
	ucum          string
	scale, offset float64
}

// customaryUnits by UCUM code. Factors are exact by definition or as in NIST SP 811 (2008), appendix B.8;
// an inch of water is the conventional one, 249.08891 Pa. What is not listed stays as it is.
var customaryUnits = map[string]customary{
	"km": {"[mi_i]", 1 / 1.609344, 0}, "km/h": {"[mi_i]/h", 1 / 1.609344, 0}, "m": {"[ft_i]", 1 / 0.3048, 0}, "mm": {"[in_i]", 1 / 25.4, 0},
	"Cel": {"[degF]", 1.8, 32}, "kPa": {"[psi]", 1 / 6.894757, 0}, "MPa": {"[psi]", 1000 / 6.894757, 0},
	"Pa": {"[in_i'H2O]", 1 / 249.08891, 0}, "Pa/s": {"[in_i'H2O]/s", 1 / 249.08891, 0},
	"L": {"[gal_us]", 1 / 3.785411784, 0}, "L/h": {"[gal_us]/h", 1 / 3.785411784, 0}, "kg": {"[lb_av]", 1 / 0.45359237, 0},
	"g/s": {"[lb_av]/min", 60 / 453.59237, 0}, "kg/h": {"[lb_av]/h", 1 / 0.45359237, 0},
}

// measure is a quantity with its unit, in the units of the reader.
func (s *Server) measure(v float64, ucum string) string {
	if c, ok := customaryUnits[ucum]; ok && s.reader.us {
		return measure(v*c.scale+c.offset, c.ucum)
	}
	return measure(v, ucum)
}

// shown is a course in the units of the reader: values and limits, healthy level and spread. Margins, scores
// and dates have no unit. The stored course is left as it is.
func (s *Server) shown(tr *analyze.Trace) *analyze.Trace {
	if tr == nil || !s.reader.us {
		return tr
	}
	c, ok := customaryUnits[tr.Now.UnitOfMeasure]
	if !ok {
		return tr
	}
	out := *tr
	value := func(v *float64) { *v = *v*c.scale + c.offset }
	width := func(v *float64) { *v *= math.Abs(c.scale) }
	n := &out.Now
	for _, v := range []*float64{&n.Value, &n.Min, &n.Max, &n.Baseline} {
		value(v)
	}
	width(&n.Spread)
	n.UnitOfMeasure = c.ucum
	out.Points = make([]analyze.Point, len(tr.Points))
	for i, p := range tr.Points {
		for _, v := range []*float64{&p.Value, &p.Min, &p.Max, &p.Baseline} {
			value(v)
		}
		width(&p.Spread)
		out.Points[i] = p
	}
	out.Signals = make([]analyze.Signal, len(tr.Signals))
	for i, sig := range tr.Signals {
		if sig.Evidence.UnitOfMeasure == tr.Now.UnitOfMeasure {
			e := &sig.Evidence
			for _, v := range []*float64{&e.Baseline, &e.Value, &e.Limit} {
				value(v)
			}
			width(&e.Spread)
			e.UnitOfMeasure = c.ucum
		}
		out.Signals[i] = sig
	}
	return &out
}

func (s *Server) allShown(by map[series.Key]*analyze.Trace) map[series.Key]*analyze.Trace {
	if !s.reader.us {
		return by
	}
	out := make(map[series.Key]*analyze.Trace, len(by))
	for k, tr := range by {
		out[k] = s.shown(tr)
	}
	return out
}
