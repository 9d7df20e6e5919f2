package obd

import (
	"fmt"
	"strconv"
	"strings"

	"marginline/ingest/series"
)

// Explain says in words what a result is: what was tested, the value with its unit, its limits, how far
// it is from them, and what a result that is no sample means.
func Explain(r *series.Result) string { return explain(r, "") }

func explain(r *series.Result, name string) string {
	var b strings.Builder
	if name != "" {
		b.WriteString(name + " (" + Name(r) + "): ")
	} else {
		b.WriteString(Name(r) + ": ")
	}
	u := unitWords(r.UnitOfMeasure)
	switch r.State {
	case series.StateNotRun:
		b.WriteString("not run. The test has not completed since codes were cleared or the battery was disconnected; this is no pass and no sample.")
	case series.StateInvalid:
		b.WriteString(invalidWords(r))
	case series.StateConstant:
		fmt.Fprintf(&b, "%s%s. Value and both limits are one number: a constant of the calibration, not a measurement.", number(r.Value), u)
	case series.StateNoLimit:
		fmt.Fprintf(&b, "%s%s, without a limit: informative, neither pass nor fail.", number(r.Value), u)
	default:
		fmt.Fprintf(&b, "%s%s, %s. %s", number(r.Value), u, limitWords(r, u), verdictWords(r))
	}
	for _, note := range notes(r) {
		b.WriteString(" " + note)
	}
	return b.String()
}

func invalidWords(r *series.Result) string {
	switch {
	case r.Raw.Min != series.None && r.Raw.Max != series.None && r.Raw.Min > r.Raw.Max && r.Value == r.Value:
		return fmt.Sprintf("invalid. The minimum %s is above the maximum %s.", number(r.Min), number(r.Max))
	case r.Coding == series.ScaledSlot && r.Raw.Value == 0xFB01:
		return "invalid. The control unit says that the test cannot be performed (FB01)."
	case r.Coding == series.ScaledSlot:
		return fmt.Sprintf("invalid. The value %04X is no measurement but an error or \"not available\".", r.Raw.Value)
	}
	return "invalid. Value and limit are all ones, as some control units send before the first run."
}

func limitWords(r *series.Result, unit string) string {
	lo, hi := r.Min == r.Min, r.Max == r.Max
	switch {
	case lo && hi:
		return fmt.Sprintf("allowed %s to %s%s", number(r.Min), number(r.Max), unit)
	case lo:
		return fmt.Sprintf("at least %s%s, no upper limit", number(r.Min), unit)
	default:
		return fmt.Sprintf("at most %s%s, no lower limit", number(r.Max), unit)
	}
}

func verdictWords(r *series.Result) string {
	word := "Passed"
	if r.Passed == series.False {
		word = "Failed"
	}
	if r.Margin != r.Margin {
		return word + "; no margin is defined, as the zero of this quantity is not a real zero or the limits leave no room."
	}
	return fmt.Sprintf("%s with margin %s (1 = as far as can be, 0 = at the limit, below 0 = failed).", word, number(r.Margin))
}

// twoTrips is the rule most monitors follow: 13 CCR 1968.2(d)(2), from memory.
const twoTrips = "Most monitors set the code when they fail in the next trip too."

// notes are what a reader should know before trusting the number.
func notes(r *series.Result) (list []string) {
	say := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	switch {
	case r.UAS != series.None && !unitOf(r.UAS).known:
		say("The unit id %02X is not known: raw counts, sign by the id's top bit.", r.UAS)
	case r.UAS != series.None && !unitOf(r.UAS).signed && r.Raw.Max == 0x7FFF && r.State == series.StateOK:
		say("The maximum 7FFF is taken as a real limit; some control units print it for \"none\".")
	case r.Slot != series.None && !slots[r.Slot].known:
		say("The SLOT %d is not known: raw counts.", r.Slot)
	case r.Slot != series.None && slots[r.Slot].doubtful:
		say("The unit of SLOT %d is not confirmed.", r.Slot)
	case r.CID != series.None && r.UnitOfMeasure == "1":
		say("Raw counts: this bus sends no unit, and the test is the maker's own; a test catalogue can name it.")
	}
	if strings.HasPrefix(r.Test, "o") && r.Value == r.Value {
		if scale, unit := oxygenScale(byte(r.TID)); unit != "1" {
			say("Raw counts; by the standard scaling of this test the value is %s %s.", number(r.Value*scale), unit)
		}
	}
	if r.MID != series.None && Family(r) == "misfire" {
		switch r.TID {
		case 0x0B:
			say("The count is an average over the last ten driving cycles that the control unit keeps (a tenth of the new count, nine tenths of the old).")
		case 0x0C:
			say("A live counter of the running driving cycle; only its last value of a trip counts.")
		}
	}
	if r.Passed == series.False {
		say(twoTrips)
	}
	if r.Done == series.True {
		say("Its monitor completed in this driving cycle.")
	}
	if r.MID >= 0 && r.MID <= 0xFF && monitors[r.MID].codes != "" {
		say("Typical codes: %s.", strings.ReplaceAll(monitors[r.MID].codes, ",", ", "))
	}
	return list
}

func number(v float64) string {
	if v != v {
		return "nothing"
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

// unitWords writes a unit for people, with a space before it; nothing for a pure number.
func unitWords(ucum string) string {
	switch ucum {
	case "1", "":
		return ""
	case "%":
		return " %"
	}
	return " " + strings.NewReplacer("Cel", "°C", "{count}", "counts", "{rev}/min", "rpm", "[in_i]", "in", "[ppm]", "ppm",
		"{bool}", "(0 = false, 1 = true)", "{cyl}", "cylinder", "{stroke}", "stroke", "mm2", "mm²").Replace(ucum)
}
