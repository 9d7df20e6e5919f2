package fleetsim

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// decode reads a payload as the pipeline does: both must take it without a complaint.
func decode(t *testing.T, payload []byte) (*report.Report, *obd.Report) {
	t.Helper()
	r, err := report.Parse(payload)
	if err != nil {
		t.Fatalf("report refused: %v\n%s", err, payload)
	}
	var msgs []obd.Message
	for _, m := range r.Messages {
		if m.Fault != "" {
			t.Fatalf("report %s: message %s: %s", r.ID, m.Raw, m.Fault)
		}
		msgs = append(msgs, obd.Message{From: m.From, PGN: m.PGN, Data: m.Data})
	}
	rep := obd.Decode(r.Bus, msgs, nil)
	for _, bad := range rep.Errors() {
		t.Fatalf("report %s: message %d %x: %v", r.ID, bad.Message, r.Messages[bad.Message].Data, bad.Err)
	}
	return r, rep
}

// mixedFleet is a fleet in which every family is there.
func mixedFleet(t *testing.T, days int) *Fleet {
	t.Helper()
	f, err := New(Config{Units: 24, Days: days, Seed: 3, End: testEnd, FaultRate: 10})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// What is sent is what the vehicle holds: value, limits, family and completion survive the wire.
func TestDecodeRoundTrip(t *testing.T) {
	f := mixedFleet(t, 20)
	p := f.play(true)
	byVIN := map[string]*vehicle{}
	for _, v := range p.vehicles {
		byVIN[v.unit.Device] = v
	}
	seen := map[string]int{}
	checked := 0
	// The state of a vehicle moves on, so each poll is checked when it is made.
	for range 20 {
		for _, v := range p.vehicles {
			v.drive(p.from, true, p.extra, func(x poll) {
				parcel := parcel{received: x.at, poll: x}
				s, err := parcel.open()
				if err != nil {
					t.Fatal(err)
				}
				r, rep := decode(t, s.Payload)
				if r.Bus.String() != v.bus {
					t.Errorf("bus %s, want %s", r.Bus, v.bus)
				}
				for _, vin := range rep.VINs {
					if vin != v.unit.VIN {
						t.Errorf("VIN %s read, want %s", vin, v.unit.VIN)
					}
				}
				byKey := map[string]series.Result{}
				for _, res := range rep.Results() {
					byKey[res.ECU+"/"+res.Test] = res
				}
				for _, m := range v.tests {
					res, ok := byKey[canonical(m.from)+"/"+m.key]
					if !ok {
						t.Fatalf("unit %s: %s not in the report", v.unit.Unit, m.key)
					}
					checked++
					seen[v.family.name]++
					if !m.ran {
						if res.State != series.StateNotRun {
							t.Errorf("%s: state %s, want not_run", m.key, res.State)
						}
						continue
					}
					if res.State != series.StateOK || res.Raw.Value != m.raw {
						t.Errorf("%s: %s raw %d, want ok %d", m.key, res.State, res.Raw.Value, m.raw)
					}
					if !same(res.Value, m.toUnit(m.raw), m.step) || !same(res.Min, m.lo, m.step) || !same(res.Max, m.hi, m.step) {
						t.Errorf("%s: %g in [%g, %g], want %g in [%g, %g]", m.key, res.Value, res.Min, res.Max, m.toUnit(m.raw), m.lo, m.hi)
					}
					if v.family.protocol != onOlder && obd.Family(&res) != m.family {
						t.Errorf("%s: family %q, want %q", m.key, obd.Family(&res), m.family)
					}
				}
				stored := 0
				for _, c := range rep.Codes() {
					if c.Kind == series.CodeConfirmed {
						stored++
					}
				}
				want := 0
				for _, c := range v.codes {
					if c.stored && (c.lamp || v.family.protocol != onTruck) {
						want++
					}
				}
				if stored != want {
					t.Errorf("unit %s: %d confirmed codes decoded, want %d", v.unit.Unit, stored, want)
				}
				for name, x := range map[string]float64{"fuel": rep.Context.FuelLevelPct, "coolant": rep.Context.CoolantC,
					"run time": rep.Context.RunTimeS, "barometer": rep.Context.BarometricKPa, "warm-ups": rep.Context.WarmupsSinceClear} {
					if math.IsNaN(x) {
						t.Errorf("unit %s: no %s", v.unit.Unit, name)
					}
				}
			})
		}
		p.from = p.from.Add(day)
	}
	for _, fam := range families {
		if seen[fam.name] == 0 {
			t.Errorf("no result of family %s", fam.name)
		}
	}
	t.Logf("%d results checked", checked)
}

func same(a, b, step float64) bool {
	return math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= step*0.1 // ids 20 and others are printed with a rounded scale
}

// Codes that a failing test sets belong to the family of the test, so that a code can be held against
// the alerts of that family.
func TestCodesBelongToFamilies(t *testing.T) {
	for _, fam := range families {
		for _, x := range fam.tests {
			for _, c := range []string{x.low, x.hi} {
				if c == "" || c == "x" {
					continue
				}
				if got := obd.CodeFamily(c); got != x.family {
					t.Errorf("%s: code %s is of family %q, the test of %q", fam.name, c, got, x.family)
				}
			}
		}
	}
}

// A control unit keeps a result until the test runs again (SAE J1979, from memory), so two polls with no
// run in between are the same to the bit.
func TestRepeatedPollsAreIdentical(t *testing.T) {
	f := mixedFleet(t, 10)
	p := f.play(true)
	repeats, changes := 0, 0
	for _, v := range p.vehicles {
		last := map[string]string{}
		runs := map[string]uint16{}
		from := p.from
		for range 10 {
			v.drive(from, true, time0, func(x poll) {
				for _, m := range v.tests {
					sent := resultText(x.report, m)
					if old, ok := last[m.key]; ok && runs[m.key] == m.runs {
						repeats++
						if old != sent {
							t.Errorf("unit %s %s: %s became %s without a run", v.unit.Unit, m.key, old, sent)
						}
					} else if ok && old != sent {
						changes++
					}
					last[m.key], runs[m.key] = sent, m.runs
				}
			})
			from = from.Add(day)
		}
	}
	if repeats < 500 || changes < 500 {
		t.Errorf("%d repeats and %d changes: want many of both", repeats, changes)
	}
}

// resultText is what a report says of a test, word for word.
func resultText(r *report.Report, m *monitor) string {
	var all []string
	for _, msg := range r.Messages {
		b := msg.Data
		switch {
		case msg.PGN == pgnDM30:
			for o := 0; o+12 <= len(b); o += 12 {
				if b[o+1] == byte(m.id.spn) && b[o+2] == byte(m.id.spn>>8) && b[o+3]&31 == m.id.fmi {
					all = append(all, hex.EncodeToString(b[o:o+12]))
				}
			}
		case msg.PGN != series.None || b[0] != 0x46:
		case len(b) == 7:
			if b[1] == m.id.mid && b[2]&0x7F == m.id.tid {
				all = append(all, hex.EncodeToString(b))
			}
		default:
			for o := 1; o+9 <= len(b); o += 9 {
				if b[o] == m.id.mid && b[o+1] == m.id.tid {
					all = append(all, hex.EncodeToString(b[o:o+9]))
				}
			}
		}
	}
	return strings.Join(all, " ")
}
