package obd

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// A byte of SAE J1939-71 is a value up to FA, a word up to FAFF; above that it is none (from memory).
func truckByte(t *rapid.T, name string, scale, offset float64) (byte, float64) {
	b := rapid.OneOf(rapid.Byte(), rapid.ByteRange(0xF9, 0xFF)).Draw(t, name)
	if b > 0xFA {
		return b, math.NaN()
	}
	return b, float64(b)*scale + offset
}

func truckWord(t *rapid.T, name string, scale, offset float64) ([]byte, float64) {
	w := word16(t, name)
	b := []byte{byte(w & 0xFF), byte(w >> 8)}
	if w > 0xFAFF {
		return b, math.NaN()
	}
	return b, float64(w)*scale + offset
}

func same(a, b float64) bool { return a == b || a != a && b != b }

func truckItem(t *rapid.T, pgn int32, kind Kind, b []byte) (*Report, Fields) {
	rep := Decode(series.J1939, []Message{{From: "00", PGN: pgn, Data: b}}, nil)
	if len(rep.Items) != 1 || rep.Items[0].Kind != kind {
		t.Fatalf("%d %x: %s %v", pgn, b, kinds(rep), rep.Errors())
	}
	return rep, rep.Items[0].Values
}

// DM21, PGN 65269, 65262 and 65276: eight bytes each, low byte first (SAE J1939-73 and -71, from memory).
func TestRoundTripTruckConditions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lampKm, x1 := truckWord(t, "km with the lamp", 1, 0)
		km, x2 := truckWord(t, "km since clear", 1, 0)
		lampMin, x3 := truckWord(t, "minutes with the lamp", 1, 0)
		minutes, x4 := truckWord(t, "minutes since clear", 1, 0)
		rep, v := truckItem(t, 49408, KindContext, append(append(append(lampKm, km...), lampMin...), minutes...))
		for name, want := range map[string]float64{"distance_with_lamp_km": x1, "distance_since_clear_km": x2, "minutes_with_lamp": x3, "minutes_since_clear": x4} {
			if !same(v.Get(name).(float64), want) {
				t.Fatalf("%s: %v, want %v", name, v.Get(name), want)
			}
		}
		if !same(rep.Context.DistanceSinceClearKm, x2) || !same(rep.Context.MinutesSinceClear, x4) {
			t.Fatal(rep.Context)
		}

		baro, kPa := truckByte(t, "barometer", 0.5, 0)
		air, ambient := truckWord(t, "ambient", 0.03125, -273)
		intake, in := truckByte(t, "intake", 1, -40)
		rep, v = truckItem(t, 65269, KindContext, append(append([]byte{baro, 0xFF, 0xFF}, air...), intake, 0xFF, 0xFF))
		if !same(rep.Context.BarometricKPa, kPa) || !same(rep.Context.AmbientC, ambient) || !same(v.Get("intake_air_c").(float64), in) {
			t.Fatalf("%+v %v, want %v %v %v", rep.Context, v, kPa, ambient, in)
		}

		rest := rapid.SliceOfN(rapid.Byte(), 7, 7).Draw(t, "rest")
		coolant, c := truckByte(t, "coolant", 1, -40)
		if rep, _ = truckItem(t, 65262, KindContext, append([]byte{coolant}, rest...)); !same(rep.Context.CoolantC, c) {
			t.Fatalf("%v, want %v", rep.Context.CoolantC, c)
		}
		fuel, f := truckByte(t, "fuel", 0.4, 0)
		if rep, _ = truckItem(t, 65276, KindContext, append([]byte{rest[0], fuel}, rest[1:]...)); !same(rep.Context.FuelLevelPct, f) {
			t.Fatalf("%v, want %v", rep.Context.FuelLevelPct, f)
		}
	})
}

// DM5 and DM26 end with the continuous monitors, two bytes of those that are supported (enabled), and two of those
// that are not complete (SAE J1939-73, from memory).
func TestRoundTripTruckReadiness(t *testing.T) {
	names := []string{"catalyst", "heated_catalyst", "evap", "secondary_air", "air_conditioning", "exhaust_gas_sensor", "o2_heater", "egr_vvt", "", "boost", "pm_filter", "nox", "catalyst"}
	rapid.Check(t, func(t *rapid.T) {
		want := map[string]string{}
		note := func(name string, isOpen bool) {
			if isOpen || want[name] == "incomplete" { // the two catalysts are one group: complete when both are
				want[name] = "incomplete"
			} else {
				want[name] = "complete"
			}
		}
		continuous := byte(0)
		for i, name := range []string{"misfire", "fuel_system", "components"} {
			s, o := rapid.Bool().Draw(t, name), rapid.Bool().Draw(t, "open")
			if s {
				continuous |= 1 << i
				note(name, o)
			}
			if o {
				continuous |= 1 << (i + 4)
			}
		}
		supported, open := rapid.Uint16Range(0, 1<<13-1).Draw(t, "supported"), rapid.Uint16().Draw(t, "open")
		for i, name := range names {
			if name != "" && supported>>i&1 == 1 {
				note(name, open>>i&1 == 1)
			}
		}
		tail := binary.LittleEndian.AppendUint16(binary.LittleEndian.AppendUint16([]byte{continuous}, supported), open)
		verify := func(v Fields) {
			monitors := v.Get("monitors").(Fields)
			for _, m := range monitors {
				if want[m.Name] != m.Value {
					t.Fatalf("%x: %s %v, want %q", tail, m.Name, m.Value, want[m.Name])
				}
			}
			if len(monitors) != len(want) {
				t.Fatalf("%x: %v, want %v", tail, monitors, want)
			}
		}
		active, a := truckByte(t, "active", 1, 0)
		previous, p := truckByte(t, "previous", 1, 0)
		_, v := truckItem(t, 65230, KindReadiness, append([]byte{active, previous, 0x14}, tail...))
		if verify(v); !same(v.Get("active_codes").(float64), a) || !same(v.Get("previous_codes").(float64), p) {
			t.Fatalf("%v, want %v %v", v, a, p)
		}
		seconds, s := truckWord(t, "seconds", 1, 0)
		warmups, w := truckByte(t, "warm-ups", 1, 0)
		rep, v := truckItem(t, 64952, KindReadiness, append(append(seconds, warmups), tail...))
		if verify(v); !same(rep.Context.RunTimeS, s) || !same(rep.Context.WarmupsSinceClear, w) {
			t.Fatalf("%+v, want %v %v", rep.Context, s, w)
		}
	})
}

// DM20: ignition cycles, monitoring conditions, then seven bytes a monitor: SPN, numerator, denominator (SAE
// J1939-73, from memory). With none, a single frame is filled with FF.
func TestRoundTripTruckRatios(t *testing.T) {
	count := func(t *rapid.T, name string) ([]byte, any) {
		b, x := truckWord(t, name, 1, 0)
		if x != x {
			return b, nil
		}
		return b, int32(x)
	}
	rapid.Check(t, func(t *rapid.T) {
		cycles, a := count(t, "cycles")
		conditions, c := count(t, "conditions")
		b := append(cycles, conditions...)
		var want []string
		for range rapid.IntRange(0, 20).Draw(t, "n") {
			id := rapid.OneOf(rapid.Int32Range(0, 1<<19-1), rapid.SampledFrom([]int32{3050, 3058, 3064, 4364})).Draw(t, "spn")
			num, x := count(t, "numerator")
			den, y := count(t, "denominator")
			b = append(append(append(b, byte(id), byte(id>>8), byte(id>>16)), num...), den...)
			want = append(want, fmt.Sprint(id, x, y))
		}
		if len(want) == 0 {
			b = append(b, 0xFF, 0xFF, 0xFF, 0xFF)
		}
		_, v := truckItem(t, 49664, KindCounters, b)
		var got []string
		for _, m := range v.Get("monitors").([]Fields) {
			got = append(got, fmt.Sprint(m.Get("spn"), m.Get("numerator"), m.Get("denominator")))
		}
		if v.Get("ignition_cycles") != a || v.Get("monitoring_conditions") != c || strings.Join(got, ", ") != strings.Join(want, ", ") {
			t.Fatalf("%x: %v, want %v %v %v", b, v, a, c, want)
		}
	})
}

// DM19 (PGN 54016): the verification number, low byte first, and 16 characters of calibration id, in each of the
// calibrations of 20 bytes (SAE J1939-73, from memory).
func TestRoundTripTruckCalibrations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b []byte
		var ids, cvns []string
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			cvn, id := rapid.Uint32().Draw(t, "cvn"), rapid.StringMatching(`[!-~]{1,16}`).Draw(t, "id")
			b = append(append(binary.LittleEndian.AppendUint32(b, cvn), id...), make([]byte, 16-len(id))...)
			ids, cvns = append(ids, id), append(cvns, fmt.Sprintf("%08X", cvn))
		}
		_, v := truckItem(t, 54016, KindCalibration, b)
		if got := v.Get("cal_ids").([]string); strings.Join(got, " ") != strings.Join(ids, " ") {
			t.Fatalf("%q, want %q", got, ids)
		}
		if got := v.Get("cvn").([]string); strings.Join(got, " ") != strings.Join(cvns, " ") {
			t.Fatalf("%q, want %q", got, cvns)
		}
	})
}

// Groups typed by hand (SAE J1939-73 and -71, from memory): 44 hex is 28 degrees of intake air, 2480 hex is 9344/32
// - 273 = 19 degrees outside, 0258 hex 600 seconds; bit 10 of the second pair is the particulate filter.
func TestGoldenTruckStatus(t *testing.T) {
	rep := call(t, series.J1939, "00/65230 01 02 14 77 0084 0004", "00/49408 6400 2C01 0A00 1E00", "00/65269 C8 FFFF 8024 44 FFFF", "00/65262 82 FFFFFFFFFFFFFF",
		"00/65276 FF 7D FFFFFFFFFFFF", "00/64952 5802 05 77 0084 0004", "00/49664 0A00 0800 F80B00 0500 0700")
	for _, c := range []struct {
		item int
		name string
		want any
	}{
		{0, "active_codes", 1.0}, {0, "previous_codes", 2.0}, {1, "distance_with_lamp_km", 100.0}, {1, "distance_since_clear_km", 300.0}, {1, "minutes_with_lamp", 10.0},
		{1, "minutes_since_clear", 30.0}, {2, "barometric_kpa", 100.0}, {2, "ambient_c", 19.0}, {2, "intake_air_c", 28.0}, {3, "coolant_c", 90.0},
		{4, "fuel_level_pct", 50.0}, {5, "run_time_s", 600.0}, {5, "warmups_since_clear", 5.0}, {6, "ignition_cycles", int32(10)}, {6, "monitoring_conditions", int32(8)},
	} {
		if got := rep.Items[c.item].Values.Get(c.name); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	for _, i := range []int{0, 5} {
		if got := fmt.Sprint(rep.Items[i].Values.Get("monitors")); got != "[{misfire incomplete} {fuel_system incomplete} {components incomplete} {pm_filter incomplete}]" {
			t.Error(got)
		}
	}
}
