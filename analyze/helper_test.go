package analyze

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// plain is a decoder's knowledge, cut down to what the tests need: the family by monitor id, one group a
// family.
type plain struct{}

var families = map[int32]string{0x01: "o2_sensor", 0x21: "catalyst", 0x3A: "evap", 0x3B: "evap", 0xA2: "misfire", 0xB2: "pm_filter", 0x81: "fuel_system"}

func (plain) Family(r *series.Result) string { return families[r.MID] }
func (plain) CodeFamily(code string) string {
	switch {
	case strings.HasPrefix(code, "P042"):
		return "catalyst"
	case strings.HasPrefix(code, "P044"):
		return "evap"
	}
	return ""
}
func (plain) Group(r *series.Result) int {
	switch families[r.MID] {
	case "catalyst":
		return 0
	case "evap":
		return 2
	}
	return -1
}

var epoch0 = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// test makes a result of a CAN monitor test in thousandths, judged as the decoder does. A limit of
// series.None is not sent as a real one.
func result(mid, tid int32, value, lo, hi float64) series.Result {
	r := series.NewResult()
	r.ECU, r.MID, r.TID, r.UAS, r.UnitOfMeasure = "7e8", mid, tid, 0x05, "1"
	r.Test = fmt.Sprintf("m%02x.t%02x", mid, tid)
	r.Raw = series.Raw{Value: int32(math.Round(value * 1000)), Min: 0, Max: 0xFFFF}
	if !math.IsNaN(lo) {
		r.Raw.Min = int32(math.Round(lo * 1000))
	}
	if !math.IsNaN(hi) {
		r.Raw.Max = int32(math.Round(hi * 1000))
	}
	return judged(r)
}

func judged(r series.Result) series.Result {
	v := series.Judge(r.Coding, r.Raw, true)
	r.State, r.Passed, r.Margin = v.State, v.Passed, v.Margin
	r.Value, r.Min, r.Max = float64(r.Raw.Value)/1000, math.NaN(), math.NaN()
	if !v.NoMin {
		r.Min = float64(r.Raw.Min) / 1000
	}
	if !v.NoMax {
		r.Max = float64(r.Raw.Max) / 1000
	}
	return r
}

var none = math.NaN()

// upTo is a result of the catalyst monitor with a maximum of 1.
func upTo(value float64) series.Result { return result(0x21, 0x80, value, none, 1) }

// poll makes a report of unit 1 at a number of days after epoch0.
func poll(days float64, results ...series.Result) *series.Poll {
	at := epoch0.Add(time.Duration(days * float64(day))).Truncate(time.Millisecond)
	return &series.Poll{
		ReportID: fmt.Sprintf("r%012d", at.UnixMilli()), VIN: "V1", Device: "d1", Bus: series.CAN,
		ReadAt: at, ClockOK: true, Context: series.NoContext(), Results: results,
	}
}

func newTestVehicle(t testing.TB) *Vehicle {
	t.Helper()
	set := DefaultSettings()
	return NewVehicle("1", "V1", plain{}, &set)
}

func apply(t testing.TB, v *Vehicle, polls ...*series.Poll) {
	t.Helper()
	for _, p := range polls {
		if err := v.Apply(p); err != nil {
			t.Fatal(err)
		}
	}
}

// kindsOf are the kinds of the signals, in the order raised.
func kindsOf(signals []Signal) string {
	var list []string
	for _, s := range signals {
		list = append(list, string(s.Kind))
	}
	return strings.Join(list, " ")
}

// store is a history in memory, duplicates included.
type store struct {
	mu    sync.Mutex
	polls []*series.Poll
}

func (s *store) add(polls ...*series.Poll) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.polls = append(s.polls, polls...)
}

func (s *store) Replay(ctx context.Context, q series.Replay) error {
	s.mu.Lock()
	polls := slices.Clone(s.polls)
	s.mu.Unlock()
	slices.SortStableFunc(polls, order)
	for _, p := range polls {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !slices.Contains(q.VINs, p.VIN) && !slices.Contains(q.Devices, p.Device) || !q.Until.IsZero() && p.ReadAt.After(q.Until) || !p.ClockOK {
			continue
		}
		if unit := q.Unit(p.VIN, p.Device); unit >= 0 {
			if err := q.Each(unit, p); err != nil {
				return err
			}
		}
	}
	return nil
}

func rosterOf(t testing.TB, units int) *fleet.Roster {
	t.Helper()
	var list []fleet.Unit
	for i := range units {
		u := fleet.NewUnit(fmt.Sprint(i + 1))
		u.VIN, u.Device = fmt.Sprintf("V%d", i+1), fmt.Sprintf("d%d", i+1)
		list = append(list, u)
	}
	r, err := fleet.New(list)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func newTestRunner(t testing.TB, h History, units int) *Runner {
	t.Helper()
	roster := rosterOf(t, units)
	return NewRunner(h, func() *fleet.Roster { return roster }, plain{}, DefaultSettings(), slog.New(slog.NewTextHandler(io.Discard, nil)))
}

// usual is the shipped cohort of a family without figures of its own.
func usual(set *Settings) *Cohort {
	c := shippedCohort(set.Usual.Phi, set)
	return &c
}
