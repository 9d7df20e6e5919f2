package series

import (
	"math"
	"testing"
)

// The rules of SAE J1979 / ISO 15031-5 Annex E (pass rule, absent limits, sign), SAE J1939-73 DM30 with the ranges
// of J1939-71, and 13 CCR 1968.2(g)(4.5) for zero after a clear; all from memory of the documents.
func TestJudge(t *testing.T) {
	const n = None
	nan := math.NaN()
	for _, c := range []struct {
		name    string
		coding  Coding
		v, a, b int32 // value, minimum, maximum
		ratio   bool
		state   State
		passed  Tri
		margin  float64
		noMin   bool
		noMax   bool
		noRead  bool
	}{
		{"all zero", Unsigned, 0, 0, 0, true, StateNotRun, Unknown, nan, true, false, false},
		{"all zero, signed", Signed, 0, 0, 0, false, StateNotRun, Unknown, nan, false, false, false},
		{"all zero, DM30", ScaledSlot, 0, 0, 0, true, StateNotRun, Unknown, nan, true, false, false},
		{"all sent fields zero, one limit", OlderBus, 0, n, 0, true, StateNotRun, Unknown, nan, true, false, false},
		{"all sent fields zero, other limit", OlderBus, 0, 0, n, true, StateNotRun, Unknown, nan, true, true, false},
		{"clipped zero with a real limit", Unsigned, 0, 0, 256, true, StateOK, True, 1, true, false, false},

		{"FB00, no limits", ScaledSlot, 0xFB00, 0xFFFF, 0xFFFF, true, StateNotRun, Unknown, nan, true, true, true},
		{"FB00, a limit", ScaledSlot, 0xFB00, 0xFFFF, 1000, true, StateInvalid, Unknown, nan, true, false, true},
		{"FB01", ScaledSlot, 0xFB01, 0xFFFF, 0xFFFF, true, StateInvalid, Unknown, nan, true, true, true},
		{"FFFF", ScaledSlot, 0xFFFF, 0xFFFF, 0xFFFF, true, StateInvalid, Unknown, nan, true, true, true},
		{"FAFF is a value", ScaledSlot, 0xFAFF, 1, 0xFFFF, true, StateOK, True, 1 - 1.0/0xFAFF, false, true, false},
		{"FB00 is a value elsewhere", Unsigned, 0xFB00, 0, 0xFFFE, true, StateOK, True, 1 - float64(0xFB00)/0xFFFE, true, false, false},

		{"older, all ones", OlderBus, 0xFFFF, n, 0xFFFF, true, StateInvalid, Unknown, nan, true, true, true},
		{"older, all ones as minimum", OlderBus, 0xFFFF, 0xFFFF, n, true, StateInvalid, Unknown, nan, false, true, true},
		{"older signed, all ones", OlderSigned, -1, n, -1, false, StateInvalid, Unknown, nan, true, false, true},
		{"older, value alone all ones", OlderBus, 0xFFFF, n, 10, true, StateOK, False, 1 - 65535.0/10, true, false, false},
		{"CAN, all ones", Unsigned, 0xFFFF, 0xFFFF, 0xFFFF, true, StateOK, True, 0, false, true, false},

		{"nothing sent", Unsigned, n, n, n, true, StateInvalid, Unknown, nan, true, true, true},
		{"no limit sent", Unsigned, 5, n, n, true, StateNoLimit, Unknown, nan, true, true, false},
		{"limits that are none", Unsigned, 5, 0, 0xFFFF, true, StateNoLimit, Unknown, nan, true, true, false},
		{"limits that are none, signed", Signed, -5, -32768, 32767, false, StateNoLimit, Unknown, nan, true, true, false},
		{"limits that are none, older signed", OlderSigned, -5, -32768, 32767, false, StateNoLimit, Unknown, nan, true, true, false},
		{"limits that are none, DM30", ScaledSlot, 5, 0, 0xFFFF, true, StateNoLimit, Unknown, nan, true, true, false},
		{"DM30 minimum FFFF", ScaledSlot, 5, 0xFFFF, 10, true, StateOK, True, 0.5, true, false, false},
		{"unsigned 7FFF is a limit", Unsigned, 5, 0, 0x7FFF, true, StateOK, True, 1 - 5.0/0x7FFF, true, false, false},
		{"signed FFFF is a limit", Signed, 5, -32768, -1, false, StateOK, False, nan, true, false, false},
		{"signed zero is a limit", Signed, 5, 0, 32767, false, StateOK, True, nan, false, true, false},

		{"minimum above maximum", Unsigned, 5, 7, 3, true, StateInvalid, Unknown, nan, false, false, false},
		{"minimum above maximum, but the minimum is none", ScaledSlot, 5, 0xFFFF, 7, true, StateOK, True, 1 - 5.0/7, true, false, false},
		{"constant", Unsigned, 5, 5, 5, true, StateConstant, Unknown, nan, false, false, false},
		{"constant, signed zero beside real numbers", Signed, -3, -3, -3, false, StateConstant, Unknown, nan, false, false, false},
		{"one allowed value, another read", Unsigned, 6, 5, 5, true, StateOK, False, nan, false, false, false},

		{"maximum, inside", Unsigned, 72, 0, 96, true, StateOK, True, 0.25, true, false, false},
		{"maximum, at", Unsigned, 96, 0, 96, true, StateOK, True, 0, true, false, false},
		{"maximum, beyond", Unsigned, 97, 0, 96, true, StateOK, False, 1 - 97.0/96, true, false, false},
		{"minimum, inside", Unsigned, 150, 75, 0xFFFF, true, StateOK, True, 0.5, false, true, false},
		{"minimum, at", Unsigned, 75, 75, 0xFFFF, true, StateOK, True, 0, false, true, false},
		{"minimum, beyond", Unsigned, 60, 75, 0xFFFF, true, StateOK, False, -0.2, false, true, false},
		{"minimum, zero", Unsigned, 0, 75, 0xFFFF, true, StateOK, False, -1, false, true, false},
		{"minimum of an older bus", OlderBus, 166, 13, n, true, StateOK, True, 1 - 13.0/166, false, true, false},
		{"both, in the middle", Unsigned, 20, 10, 30, true, StateOK, True, 1, false, false, false},
		{"both, nearer the maximum", Unsigned, 25, 10, 30, true, StateOK, True, 0.5, false, false, false},
		{"both, at", Unsigned, 10, 10, 30, true, StateOK, True, 0, false, false, false},
		{"both, beyond", Unsigned, 40, 10, 30, true, StateOK, False, -1, false, false, false},
		{"both, signed", Signed, -3277, -9830, 9830, false, StateOK, True, 6553.0 / 9830, false, false, false},
		{"one limit without a real zero", Signed, 5, -32768, 10, false, StateOK, True, nan, true, false, false},
		{"negative maximum beyond", Signed, 5, -32768, -10, false, StateOK, False, nan, true, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := Judge(c.coding, Raw{Value: c.v, Min: c.a, Max: c.b}, c.ratio)
			if v.State != c.state || v.Passed != c.passed || v.NoMin != c.noMin || v.NoMax != c.noMax || v.NoRead != c.noRead {
				t.Errorf("%+v, want %s passed %d without minimum %v maximum %v value %v", v, c.state, c.passed, c.noMin, c.noMax, c.noRead)
			}
			if both := v.Margin != v.Margin && c.margin != c.margin; !both && !(math.Abs(v.Margin-c.margin) <= 1e-15) { // rounding of 1 - v/max
				t.Errorf("margin %v, want %v", v.Margin, c.margin)
			}
		})
	}
}

// What holds for all raw values: a verdict exactly with StateOK, a margin of the verdict's sign, never
// above one, and falling as the value leaves its limit.
func TestJudgeHolds(t *testing.T) {
	edges := []int32{None, 0, 1, 2, 100, 0x7FFE, 0x7FFF, 0x8000, 0xFAFF, 0xFB00, 0xFFFE, 0xFFFF}
	for _, coding := range []Coding{Unsigned, Signed, OlderBus, OlderSigned, ScaledSlot} {
		sign := func(x int32) int32 {
			if x != None && (coding == Signed || coding == OlderSigned) {
				return int32(int16(x))
			}
			return x
		}
		for _, lo := range edges {
			for _, hi := range edges {
				last := math.NaN()
				for _, x := range edges {
					raw := Raw{sign(x), sign(lo), sign(hi)}
					v := Judge(coding, raw, coding != Signed && coding != OlderSigned)
					if (v.State == StateOK) != (v.Passed != Unknown) {
						t.Fatalf("%d %v: %+v", coding, raw, v)
					}
					if v.Margin != v.Margin {
						continue
					}
					if v.State != StateOK || v.Margin > 1 || math.IsInf(v.Margin, 0) || (v.Margin >= 0) != (v.Passed == True) {
						t.Fatalf("%d %v: %+v", coding, raw, v)
					}
					if v.NoMin && v.Margin > last { // only a maximum: the margin falls as the value rises
						t.Fatalf("%d %v: margin %v after %v", coding, raw, v.Margin, last)
					}
					last = v.Margin
				}
			}
		}
	}
}
