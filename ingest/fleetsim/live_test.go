package fleetsim

import (
	"bytes"
	"testing"
	"time"

	"marginline/ingest/report"
)

// Live goes on where the history ends: nothing again, nothing left out, the odometers turn on.
func TestLiveGoesOn(t *testing.T) {
	end := time.Date(2026, 6, 3, 16, 20, 0, 0, time.UTC) // a working day at noon
	c := Config{Units: 30, Days: 30, Seed: 2, End: end, Delivery: true}
	f, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	had := map[string]uint64{}
	km := map[string]float64{}
	for s := range f.Reports() {
		had[s.Report.ID] = s.Report.Digest()
		if s.Report.Time.Year() > 2000 {
			km[s.Device] = max(km[s.Device], s.Report.OdometerKm)
		}
		if s.Received.After(end) {
			t.Fatalf("history holds a report of %s", s.Received)
		}
	}
	live, again := f.Live(), f.Live()
	var all []Sent
	last, repeats := end, 0
	for at := end; at.Before(end.Add(6 * time.Hour)); at = at.Add(30 * time.Second) {
		got, same := live.Next(at), again.Next(at)
		if len(got) != len(same) {
			t.Fatalf("two lives of one fleet differ at %s", at)
		}
		for i, s := range got {
			if !bytes.Equal(s.Payload, same[i].Payload) {
				t.Fatalf("two lives of one fleet differ in %s", s.Report.ID)
			}
			if s.Received.Before(last) || s.Received.After(at) {
				t.Fatalf("at %s came a report of %s after one of %s", at, s.Received, last)
			}
			last = s.Received
			if d, ok := had[s.Report.ID]; ok {
				repeats++
				if d != s.Report.Digest() {
					t.Errorf("%s comes again with other content", s.Report.ID)
				}
			}
			had[s.Report.ID] = s.Report.Digest()
			all = append(all, s)
		}
	}
	if len(all) < 200 {
		t.Errorf("%d reports in six working hours of 30 vehicles: the demo would look dead", len(all))
	}
	if repeats*20 > len(all) {
		t.Errorf("%d of %d live reports were there before", repeats, len(all))
	}
	gone := 0
	for _, s := range all {
		if _, err := report.Parse(s.Payload); err != nil {
			t.Fatalf("%s: %v", s.Report.ID, err)
		}
		if s.Report.Time.After(end) && s.Report.OdometerKm > km[s.Device] {
			gone++
		}
	}
	if gone*10 < len(all)*9 {
		t.Errorf("%d of %d live reports have driven on", gone, len(all))
	}
}

// Delivery faults: some reports come twice, some late, some from an outage; each is the same report.
func TestDeliveryFaults(t *testing.T) {
	f, err := New(Config{Seed: 4, Days: 182, End: testEnd, Delivery: true})
	if err != nil {
		t.Fatal(err)
	}
	n, twice, late, old, backlog := 0, 0, 0, 0, 0
	digests := map[string]uint64{}
	last := time.Time{}
	for s := range f.Reports() {
		n++
		if s.Received.Before(last) {
			t.Fatal("not in the order of publishing")
		}
		last = s.Received
		d := s.Report.Digest()
		if have, ok := digests[s.Report.ID]; ok {
			twice++
			if have != d {
				t.Errorf("%s came with two contents", s.Report.ID)
			}
		}
		digests[s.Report.ID] = d
		switch wait := s.Received.Sub(s.Report.Time); {
		case s.Report.Time.Year() < 2000:
			old++
		case wait > 4*day:
			backlog++
		case wait > 30*time.Minute:
			late++
		}
	}
	if share := float64(twice) / float64(n); share < 0.005 || share > 0.02 {
		t.Errorf("%.2f %% come twice", 100*share)
	}
	if late < 50 || old == 0 || backlog == 0 {
		t.Errorf("%d late, %d with a lost clock, %d from outages: want all three", late, old, backlog)
	}
}

func BenchmarkHalfYear(b *testing.B) {
	f, err := New(Config{Seed: 1, End: testEnd})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		n := 0
		for s := range f.Reports() {
			n += len(s.Payload)
		}
		b.SetBytes(int64(n))
	}
	b.ReportMetric(float64(f.Count())*float64(b.N)/b.Elapsed().Seconds(), "reports/s")
}
