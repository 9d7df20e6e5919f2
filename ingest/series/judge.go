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
	state, passed, margin, no := judge(c, raw, ratio)
	return Verdict{State: state, Passed: passed, Margin: margin, NoMin: no&noMin != 0, NoMax: no&noMax != 0, NoRead: no&noRead != 0}
}

// Measure judges the raw fields of a result by its coding, and scales them: value = raw*scale + offset. The
// product is rounded before the sum, so that all machines give the same bits.
func (r *Result) Measure(scale, offset float64, ratio bool) {
	raw := r.Raw
	state, passed, margin, no := judge(r.Coding, raw, ratio)
	r.State, r.Passed, r.Margin = state, passed, margin
	value, lo, hi := math.NaN(), math.NaN(), math.NaN()
	if no&noRead == 0 {
		value = float64(float64(raw.Value)*scale) + offset
	}
	if no&noMin == 0 {
		lo = float64(float64(raw.Min)*scale) + offset
	}
	if no&noMax == 0 {
		hi = float64(float64(raw.Max)*scale) + offset
	}
	r.Value, r.Min, r.Max = value, lo, hi
}

// What of the raw fields is absent.
const (
	noMin uint8 = 1 << iota
	noMax
	noRead
)

// judge is Judge with results that fit registers: what goes through memory costs more than all the rules.
func judge(c Coding, raw Raw, ratio bool) (state State, passed Tri, margin float64, no uint8) {
	none := &noLimit[c&7]
	if raw.Min == none.min || raw.Min == none.minToo || raw.Min == None {
		no = noMin
	}
	if raw.Max == none.max || raw.Max == None {
		no |= noMax
	}
	passed, margin = Unknown, math.NaN()
	if raw.Value == 0 && zeroOrNone(raw.Min) && zeroOrNone(raw.Max) {
		return StateNotRun, passed, margin, no
	}
	if raw.Value == None || c > Signed && unread(c, raw) {
		if c == ScaledSlot && raw.Value == slotNotRun && raw.Min == allOnes && raw.Max == allOnes {
			return StateNotRun, passed, margin, no | noRead
		}
		return StateInvalid, passed, margin, no | noRead
	}
	switch no {
	case noMin | noMax:
		state = StateNoLimit
	case noMin:
		passed = TriOf(raw.Value <= raw.Max)
		if ratio && raw.Max != 0 {
			margin = 1 - float64(raw.Value)/float64(raw.Max)
		}
	case noMax:
		passed = TriOf(raw.Value >= raw.Min)
		switch {
		case !ratio:
		case raw.Value < raw.Min:
			margin = float64(raw.Value)/float64(raw.Min) - 1
		case raw.Value != 0:
			margin = 1 - float64(raw.Min)/float64(raw.Value)
		}
	default:
		switch {
		case raw.Min < raw.Max:
			passed = TriOf(raw.Value >= raw.Min && raw.Value <= raw.Max)
			margin = float64(min(raw.Value-raw.Min, raw.Max-raw.Value)) / (float64(raw.Max-raw.Min) / 2)
		case raw.Min > raw.Max:
			state = StateInvalid
		case raw.Value == raw.Min:
			state = StateConstant
		default: // one value is allowed, and this is another
			passed = False
		}
	}
	return state, passed, margin, no
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
