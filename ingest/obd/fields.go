package obd

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"marginline/ingest/series"
)

// Fields gives an item as named values: of a test result all columns of readings, in their order, and an
// explanation; of the others kind, ecu and their own. What decoding cannot know (who sent the report and
// when) and what is absent is nil.
func (rep *Report) Fields(it *Item) Fields {
	if it.Kind == KindResult {
		return append(Fields{{"kind", string(it.Kind)}}, rep.reading(it)...)
	}
	v := Fields{{"kind", string(it.Kind)}, {"ecu", orNil(it.ECU)}}
	switch it.Kind {
	case KindError:
		return append(v, Field{"message", it.Message + 1}, Field{"reason", it.Err.Error()})
	case KindCodes:
		codes := []Fields{}
		for _, c := range it.Codes {
			codes = append(codes, Fields{{"kind", c.Kind.String()}, {"code", c.Code}, {"family", CodeFamily(c.Code)}})
		}
		v = append(v, Field{"codes", codes})
	}
	v = append(v, it.Values...)
	return append(v, Field{"explanation", it.Explain()})
}

func (rep *Report) reading(it *Item) Fields {
	r, c := it.Result, &rep.Context
	var passed any
	if r.Passed != series.Unknown {
		passed = r.Passed == series.True
	}
	return Fields{
		{"read_at", nil}, {"clock_ok", nil}, {"unit", nil}, {"vin", nil}, {"device", nil}, {"report_id", nil},
		{"bus", orNil(rep.Bus.String())}, {"ecu", orNil(r.ECU)}, {"cal_id", orNil(r.CalID)}, {"test", r.Test},
		{"mid", known(r.MID)}, {"tid", known(r.TID)}, {"cid", known(r.CID)}, {"spn", known(r.SPN)}, {"fmi", known(r.FMI)},
		{"uas", known(r.UAS)}, {"slot", known(r.Slot)}, {"dtc", orNil(r.DTC)},
		{"raw_value", known(r.Raw.Value)}, {"raw_min", known(r.Raw.Min)}, {"raw_max", known(r.Raw.Max)},
		{"value", finite(r.Value)}, {"min", finite(r.Min)}, {"max", finite(r.Max)}, {"unit_of_measure", r.UnitOfMeasure},
		{"state", r.State.String()}, {"passed", passed}, {"margin", finite(r.Margin)},
		{"odometer_km", finite(c.OdometerKm)}, {"fuel_level_pct", finite(c.FuelLevelPct)}, {"ambient_c", finite(c.AmbientC)},
		{"coolant_c", finite(c.CoolantC)}, {"barometric_kpa", finite(c.BarometricKPa)}, {"run_time_s", finite(c.RunTimeS)},
		{"warmups_since_clear", finite(c.WarmupsSinceClear)}, {"distance_since_clear_km", finite(c.DistanceSinceClearKm)},
		{"explanation", it.Explain()},
	}
}

// MarshalJSON writes an array of the items in the order sent.
func (rep *Report) MarshalJSON() ([]byte, error) {
	all := make([]Fields, len(rep.Items))
	for i := range rep.Items {
		all[i] = rep.Fields(&rep.Items[i])
	}
	return json.Marshal(all)
}

// Explain says in words what the item tells.
func (it *Item) Explain() string {
	words := it.words()
	if it.Note != "" {
		words += " Note: " + it.Note + "."
	}
	return words
}

func (it *Item) words() string {
	v := it.Values
	switch it.Kind {
	case KindResult:
		return explain(it.Result, it.Name)
	case KindError:
		return it.Err.Error()
	case KindSupport:
		return fmt.Sprintf("Supported %v: %s.", v.Get("of"), list(v.Get("supported")))
	case KindCodes:
		if len(it.Codes) == 0 {
			return "No codes are stored."
		}
		var words []string
		for _, c := range it.Codes {
			words = append(words, c.Code+" ("+c.Kind.String()+")")
		}
		return "Codes: " + strings.Join(words, ", ") + "."
	case KindReadiness:
		monitors, _ := v.Get("monitors").(Fields)
		var open []string
		for _, m := range monitors {
			if m.Value == "incomplete" {
				open = append(open, m.Name)
			}
		}
		if len(open) == 0 {
			return fmt.Sprintf("Monitors complete %v.", v.Get("period"))
		}
		return fmt.Sprintf("Monitors not complete %v: %s. After a clear all start incomplete.", v.Get("period"), strings.Join(open, ", "))
	case KindCounters:
		return "In-use counters: how often each monitor could have found a fault (numerator, COMP) and how often it had the occasion (denominator, COND). They survive a clear."
	case KindContext:
		if name, ok := v.Get("name").(string); ok {
			return fmt.Sprintf("%s: %s%s.", strings.ToUpper(name[:1])+name[1:], number(v.Get("value").(float64)), unitWords(v.Get("unit_of_measure").(string)))
		}
		if raw, ok := v.Get("raw").(string); ok {
			return "Not known here, kept as read: " + raw + "."
		}
		return "Conditions in which the results were read."
	case KindVIN:
		if s, ok := v.Get("vin").(string); ok {
			return "Vehicle identification number " + s + "."
		}
		return "No vehicle identification number."
	case KindCalibration:
		return "Calibration of the control unit; another id or verification number means that limits and meanings may have changed."
	case KindNegative:
		return fmt.Sprintf("Not answered: %v.", v.Get("meaning"))
	}
	return string(it.Kind)
}

func list(v any) string {
	switch v := v.(type) {
	case IDs:
		return list(slices.Collect(v.Each()))
	case []string:
		if len(v) > 0 {
			return strings.ToUpper(strings.Join(v, ", "))
		}
	case []int32:
		if len(v) > 0 {
			return strings.Trim(strings.ReplaceAll(fmt.Sprint(v), " ", ", "), "[]")
		}
	}
	return "none"
}

func orNil(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func known(n int32) any {
	if n == series.None {
		return nil
	}
	return n
}

func finite(v float64) any {
	if v-v != 0 {
		return nil
	}
	return v
}
