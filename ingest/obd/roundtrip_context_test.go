package obd

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// A pid is a parameter of service $01 as the test knows it: how many bytes, and the number they stand for (SAE
// J1979-DA, from memory). Written from the formulas, not from the decoder's table.
type pid struct {
	id    byte
	bytes int
	unit  string
	value func(a, b, c, d float64) float64
	field func(series.Context) float64 // of the conditions of the readings; nil for none
}

var pids = []pid{
	{0x04, 1, "%", func(a, _, _, _ float64) float64 { return a * 100 / 255 }, nil},
	{0x05, 1, "Cel", func(a, _, _, _ float64) float64 { return a - 40 }, func(c series.Context) float64 { return c.CoolantC }},
	{0x0C, 2, "{rev}/min", func(a, b, _, _ float64) float64 { return (256*a + b) / 4 }, nil},
	{0x0D, 1, "km/h", func(a, _, _, _ float64) float64 { return a }, nil},
	{0x0F, 1, "Cel", func(a, _, _, _ float64) float64 { return a - 40 }, nil},
	{0x1F, 2, "s", func(a, b, _, _ float64) float64 { return 256*a + b }, func(c series.Context) float64 { return c.RunTimeS }},
	{0x21, 2, "km", func(a, b, _, _ float64) float64 { return 256*a + b }, nil},
	{0x2F, 1, "%", func(a, _, _, _ float64) float64 { return a * 100 / 255 }, func(c series.Context) float64 { return c.FuelLevelPct }},
	{0x30, 1, "1", func(a, _, _, _ float64) float64 { return a }, func(c series.Context) float64 { return c.WarmupsSinceClear }},
	{0x31, 2, "km", func(a, b, _, _ float64) float64 { return 256*a + b }, func(c series.Context) float64 { return c.DistanceSinceClearKm }},
	{0x33, 1, "kPa", func(a, _, _, _ float64) float64 { return a }, func(c series.Context) float64 { return c.BarometricKPa }},
	{0x42, 2, "V", func(a, b, _, _ float64) float64 { return (256*a + b) / 1000 }, nil},
	{0x46, 1, "Cel", func(a, _, _, _ float64) float64 { return a - 40 }, func(c series.Context) float64 { return c.AmbientC }},
	{0x4D, 2, "min", func(a, b, _, _ float64) float64 { return 256*a + b }, nil},
	{0x4E, 2, "min", func(a, b, _, _ float64) float64 { return 256*a + b }, func(c series.Context) float64 { return c.MinutesSinceClear }},
	{0xA6, 4, "km", func(a, b, c, d float64) float64 { return (a*0x1000000 + b*0x10000 + c*0x100 + d) / 10 }, func(c series.Context) float64 { return c.OdometerKm }},
}

// Every parameter over its domain, several in one message on CAN (41 PID data PID data ...) and on UDS (62 F4PID
// data F4PID data ...), one a message before CAN.
func TestRoundTripParameters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		can, uds := []byte{0x41}, []byte{0x62}
		var older []Message
		type sent struct {
			pid
			value float64
		}
		var all []sent
		for _, p := range rapid.SliceOfNDistinct(rapid.SampledFrom(pids), 1, len(pids), func(p pid) byte { return p.id }).Draw(t, "parameters") {
			data := rapid.SliceOfN(rapid.Byte(), p.bytes, p.bytes).Draw(t, "data")
			can = append(append(can, p.id), data...)
			uds = append(append(uds, 0xF4, p.id), data...)
			older = append(older, Message{From: "10", PGN: series.None, Data: append([]byte{0x41, p.id}, data...)})
			var x [4]float64
			for i, b := range data {
				x[i] = float64(b)
			}
			all = append(all, sent{p, p.value(x[0], x[1], x[2], x[3])})
		}
		for bus, msgs := range map[series.Bus][]Message{
			series.CAN: {{From: "7E8", PGN: series.None, Data: can}}, series.UDS: {{From: "7E8", PGN: series.None, Data: uds}}, series.ISO9141: older,
		} {
			rep := Decode(bus, msgs, nil)
			if len(rep.Items) != len(all) {
				t.Fatalf("%s %x: %s %v", bus, msgs[0].Data, kinds(rep), rep.Errors())
			}
			for i, s := range all {
				v := rep.Items[i].Values
				if v.Get("pid") != fmt.Sprintf("%02x", s.id) || v.Get("value") != s.value || v.Get("unit_of_measure") != s.unit {
					t.Fatalf("%s %02X: %v, want %v %s", bus, s.id, v, s.value, s.unit)
				}
				if s.field != nil && s.field(rep.Context) != s.value {
					t.Fatalf("%s %02X: %+v, want %v", bus, s.id, rep.Context, s.value)
				}
			}
			for _, p := range pids { // and nothing that was not sent
				if p.field == nil || !math.IsNaN(p.field(rep.Context)) == func() bool {
					for _, s := range all {
						if s.id == p.id {
							return true
						}
					}
					return false
				}() {
					continue
				}
				t.Fatalf("%s %02X: %+v", bus, p.id, rep.Context)
			}
		}
	})
}

// PID 01 and 41: byte A lamp and number of codes, B the continuous monitors (supported low, incomplete high, bit 3 the
// kind of ignition), C supported, D incomplete (SAE J1979-DA, from memory).
func TestRoundTripReadiness(t *testing.T) {
	spark := []string{"catalyst", "heated_catalyst", "evap", "secondary_air", "pm_filter", "exhaust_gas_sensor", "o2_heater", "egr_vvt"}
	compression := []string{"catalyst", "nox", "", "boost", "", "exhaust_gas_sensor", "pm_filter", "egr_vvt"}
	rapid.Check(t, func(t *rapid.T) {
		isCompression, lamp, count := rapid.Bool().Draw(t, "compression"), rapid.Bool().Draw(t, "lamp"), rapid.IntRange(0, 127).Draw(t, "codes")
		groups := spark
		if isCompression {
			groups = compression
		}
		want := map[string]any{}
		draw := func(name string) (supported, open byte) {
			switch rapid.IntRange(0, 3).Draw(t, name) {
			case 0:
				want[name] = "complete"
				return 1, 0
			case 1:
				want[name] = "incomplete"
				return 1, 1
			case 2:
				return 0, 1 // says nothing
			}
			return 0, 0
		}
		var a, b, c, d byte
		for i, name := range []string{"misfire", "fuel_system", "components"} {
			s, o := draw(name)
			b |= s<<i | o<<(4+i)
		}
		for i, name := range groups {
			if name != "" {
				s, o := draw(name)
				c, d = c|s<<i, d|o<<i
			}
		}
		if isCompression {
			b |= 0x08
		}
		if a = byte(count); lamp {
			a |= 0x80
		}
		verify := func(bus series.Bus, data ...byte) Fields {
			rep := Decode(bus, []Message{{From: "7E8", PGN: series.None, Data: data}}, nil)
			if kinds(rep) != "readiness" {
				t.Fatalf("%x: %s", data, kinds(rep))
			}
			monitors := rep.Items[0].Values.Get("monitors").(Fields)
			for _, m := range monitors {
				if want[m.Name] != m.Value {
					t.Fatalf("%x: %s %v, want %v", data, m.Name, m.Value, want[m.Name])
				}
			}
			if len(monitors) != len(want) {
				t.Fatalf("%x: %v, want %v", data, monitors, want)
			}
			return rep.Items[0].Values
		}
		v := verify(rapid.SampledFrom([]series.Bus{series.CAN, series.J1850}).Draw(t, "bus"), 0x41, 0x01, a, b, c, d)
		if v.Get("lamp") != lamp || v.Get("code_count") != count || v.Get("period") != "since clear" || v.Get("ignition") == "spark" == isCompression {
			t.Fatal(v)
		}
		if v := verify(series.UDS, 0x62, 0xF4, 0x41, 0, b, c, d); v.Get("lamp") != nil || v.Get("period") != "this driving cycle" {
			t.Fatal(v)
		}
	})
}

// Parameters typed by hand (SAE J1979-DA, from memory).
func TestGoldenParameters(t *testing.T) {
	rep := call(t, series.CAN, "7E8 41 31 012C 42 36B0 A6 0012D687 4E 001E 05 82")
	for i, want := range []float64{300, 14, 123456.7, 30, 90} {
		if got := rep.Items[i].Values.Get("value"); got != want {
			t.Errorf("%v, want %v", got, want)
		}
	}
	// Catalyst bit 1 to 0 in this cycle; evaporative system open since the clear, two codes and the lamp on.
	rep = call(t, series.UDS, "7E8 62 F4 41 00 07 65 05", "7E8 62 F4 41 00 07 65 04", "7E8 62 F4 01 82 07 65 04")
	for i, want := range []string{"incomplete", "complete", "complete"} {
		if got := rep.Items[i].Values.Get("monitors").(Fields).Get("catalyst"); got != want {
			t.Errorf("%v, want %v", got, want)
		}
	}
	if v := rep.Items[2].Values; v.Get("lamp") != true || v.Get("code_count") != 2 || v.Get("monitors").(Fields).Get("evap") != "incomplete" {
		t.Error(v)
	}
}
