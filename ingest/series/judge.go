package series

import "math"

// Coding says how the 16-bit fields of a test result are coded.
type Coding uint8

// The codings.
const (
	Unsigned    Coding = iota // unit-and-scaling ids 01 to 7F, and results that carry one limit a message
	Signed                    // unit-and-scaling ids 80 to FE: two's complement
	OlderBus                  // J1850, ISO 9141-2, ISO 14230-4: unsigned, one limit a message
	OlderSigned               // the same where a test catalogue says that the value is signed
	ScaledSlot                // J1939 DM30: unsigned, offset binary, special ranges above FAFF
)

// SAE J1939-71, two-byte ranges (from memory): FB00 is the indicator a monitor sends before it has run.
const (
	slotLastValid = 0xFAFF
	slotNotRun    = 0xFB00
	allOnes       = 0xFFFF
)

// A Verdict is what Judge finds.
type Verdict struct {
	State  State
	Passed Tri
	Margin float64 // NaN where it is not defined
	NoMin  bool    // the minimum is absent: not sent, or a value that cannot be a limit
	NoMax  bool    // the same of the maximum
	NoRead bool    // the value itself is not a measurement
}

// Judge finds state, verdict and margin of a test result from its raw integers.
//
// ratio says whether the quantity's zero is a real zero, so that a share of a single limit has a
// meaning: false for signed quantities, for quantities with an offset, and for unknown SLOTs.
//
// The rules, in this order:
//
//	not_run   every sent field is zero, or DM30 FB00 with both limits FFFF
//	invalid   another DM30 value above FAFF; older bus: value and every sent limit FFFF
//	          then limits that cannot be limits are dropped:
//	          unsigned minimum 0000, maximum FFFF; signed minimum 8000, maximum 7FFF;
//	          J1939 FFFF on either side, 0000 as a minimum
//	invalid   minimum above maximum
//	no_limit  no limit left
//	constant  minimum = maximum = value
//	ok        everything else; passed when minimum <= value <= maximum, both ends included
//
// The margin is dimensionless: 1 as far as can be, 0 at the limit, negative when failed.
//
//	maximum only   1 - v/max
//	minimum only   1 - min/v for v >= min, v/min - 1 below
//	both           min(v-min, max-v) / ((max-min)/2)
//
// Sources: SAE J1979 and ISO 15031-5 Annex E for the pass rule, absent limits and signedness, SAE
// J1939-73 DM30 and J1939-71 for its ranges, 13 CCR 1968.2(g)(4.5) for zero after a clear; all from
// memory of the documents.
func Judge(c Coding, raw Raw, ratio bool) Verdict {
	r := Result{Coding: c, Raw: raw}
	r.Measure(1, 0, ratio)
	return Verdict{State: r.State, Passed: r.Passed, Margin: r.Margin, NoMin: r.Min != r.Min, NoMax: r.Max != r.Max, NoRead: r.Value != r.Value}
}

// Measure judges the raw fields of a result by its coding, as Judge says, and scales them: value = raw*scale
// + offset. The product is rounded before the sum, so that all machines give the same bits. It writes into
// the result, since a Verdict that goes through memory costs more than all the rules.
func (r *Result) Measure(scale, offset float64, ratio bool) {
	lo, hi := r.Raw.Min, r.Raw.Max
	no := &noLimit[r.Coding&7]
	isMin, isMax := lo != no.min && lo != no.minToo && lo != None, hi != no.max && hi != None
	r.Min, r.Max = math.NaN(), math.NaN()
	if isMin {
		r.Min = float64(float64(lo)*scale) + offset
	}
	if isMax {
		r.Max = float64(float64(hi)*scale) + offset
	}
	r.value(scale, offset, ratio, isMin, isMax)
}

// Remeasure is Measure where nothing but Raw.Value has changed since Measure was called with the same scale and
// offset: the limits are not looked at again.
func (r *Result) Remeasure(scale, offset float64, ratio bool) {
	r.value(scale, offset, ratio, r.Min == r.Min, r.Max == r.Max)
}

func (r *Result) value(scale, offset float64, ratio, isMin, isMax bool) {
	x, lo, hi := r.Raw.Value, r.Raw.Min, r.Raw.Max
	r.Passed, r.Margin = Unknown, math.NaN()
	if x == None || r.Coding > Signed && unread(r.Coding, r.Raw) {
		r.State, r.Value = StateInvalid, math.NaN()
		if r.Coding == ScaledSlot && x == slotNotRun && lo == allOnes && hi == allOnes {
			r.State = StateNotRun
		}
		return
	}
	r.Value = float64(float64(x)*scale) + offset
	switch {
	case x == 0 && zeroOrNone(lo) && zeroOrNone(hi):
		r.State = StateNotRun
	case isMin && isMax:
		r.between(x, lo, hi)
	case isMax:
		r.State, r.Passed = StateOK, TriOf(x <= hi)
		if ratio && hi != 0 {
			r.Margin = 1 - float64(x)/float64(hi)
		}
	case isMin:
		r.State, r.Passed = StateOK, TriOf(x >= lo)
		switch {
		case !ratio:
		case x < lo:
			r.Margin = float64(x)/float64(lo) - 1
		case x != 0:
			r.Margin = 1 - float64(lo)/float64(x)
		}
	default:
		r.State = StateNoLimit
	}
}

// between judges a value against two real limits.
func (r *Result) between(x, lo, hi int32) {
	switch {
	case lo < hi:
		r.State, r.Passed = StateOK, TriOf(x >= lo && x <= hi)
		r.Margin = float64(min(x-lo, hi-x)) / (float64(hi-lo) / 2)
	case lo > hi:
		r.State = StateInvalid
	case x == lo:
		r.State = StateConstant
	default: // one value is allowed, and this is another
		r.State, r.Passed = StateOK, False
	}
}

// noLimit holds, of each coding, the values that are none as a minimum and as a maximum.
var noLimit = [8]struct{ min, minToo, max int32 }{
	Unsigned:    {0, 0, allOnes},
	Signed:      {math.MinInt16, math.MinInt16, math.MaxInt16},
	OlderBus:    {0, 0, allOnes},
	OlderSigned: {math.MinInt16, math.MinInt16, math.MaxInt16},
	ScaledSlot:  {0, allOnes, allOnes},
}

// unread says whether the value of a bus other than CAN is no measurement.
func unread(c Coding, raw Raw) bool {
	if c == ScaledSlot {
		return raw.Value > slotLastValid
	}
	return ones(c, raw.Value) && onesOrNone(c, raw.Min) && onesOrNone(c, raw.Max)
}

func zeroOrNone(v int32) bool { return v == 0 || v == None }

func ones(c Coding, v int32) bool { return v == allOnes || c == OlderSigned && v == -1 }

func onesOrNone(c Coding, v int32) bool { return v == None || ones(c, v) }
