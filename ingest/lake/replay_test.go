package lake

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"marginline/ingest/series"
)

// replay gathers what a replay hands over, by unit: the unit of a poll is its device.
func replayUnits(t *testing.T, l *Lake, vins, devices []string, until time.Time) map[int][]*series.Poll {
	t.Helper()
	var mu sync.Mutex
	got, busy := map[int][]*series.Poll{}, map[int]bool{}
	var last, all int64
	err := l.Replay(t.Context(), series.Replay{VINs: vins, Devices: devices, Until: until,
		Unit: func(_, device string) int { return unitNumber(device) },
		Each: func(unit int, p *series.Poll) error {
			mu.Lock()
			if busy[unit] {
				t.Errorf("unit %d is handed over twice at the same time", unit)
			}
			busy[unit] = true
			mu.Unlock()
			own := *p
			own.Results, own.Codes = slices.Clone(p.Results), slices.Clone(p.Codes)
			for i := range p.Results { // lent: what is done to it must not matter
				p.Results[i] = series.Result{}
			}
			mu.Lock()
			defer mu.Unlock()
			busy[unit] = false
			got[unit] = append(got[unit], &own)
			return nil
		},
		Progress: func(done, total int64) {
			mu.Lock()
			defer mu.Unlock()
			last, all = max(last, done), total
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	n := int64(0)
	for _, list := range got {
		n += int64(len(list))
	}
	if last != n || all != n {
		t.Errorf("progress ends at %d of %d, %d polls were handed over", last, all, n)
	}
	if len(l.refs) != 0 {
		t.Errorf("%d states are still held", len(l.refs))
	}
	return got
}

func unitNumber(device string) (n int) {
	if _, err := fmt.Sscanf(device, "dgl-%d", &n); err != nil || n%7 == 5 {
		return -1 // on nobody's roster
	}
	return n
}

// told is a poll without what a fold has no use for.
func told(p *series.Poll) *series.Poll {
	q := *p
	q.Digest, q.Received, q.Messages, q.Rejected, q.CVNs = 0, time.Time{}, 0, 0, nil
	return &q
}

// A replay is what Polls gives, sorted by unit and time: with late reports, wrong clocks, vehicles without a
// VIN, reports larger than a stretch and without results; as flushed and compacted; in one pass and in many.
func TestReplayIsAllPollsInOrder(t *testing.T) {
	l := open(t, t.TempDir())
	for i, tb := range l.tables {
		s := *tb.spec
		s.group, s.sealed = [...]int{readings: 3000, codes: 70, reports: 45}[i], [...]int{readings: 7000, codes: 90, reports: 60}[i]
		l.specs[i], tb.spec = &s, &s
	}
	rnd := rand.New(rand.NewPCG(8, 8))
	var all, late []*series.Poll
	seq := uint64(0)
	for n := range 20 {
		for v := range 25 {
			p := poll(v, n*2, (v+n)%9)
			switch {
			case n == 3 && v == 4:
				p = poll(v, n*2, stretch+1000)
			case v%10 == 9:
				p.VIN = "" // known by its device only
			case rnd.IntN(12) == 0:
				p.ClockOK = false
			}
			all = append(all, p)
			if rnd.IntN(6) == 0 {
				late = append(late, p)
				continue
			}
			seq++
			l.Append(p, seq)
		}
		rnd.Shuffle(len(late), func(a, b int) { late[a], late[b] = late[b], late[a] })
		for len(late) > 20 || n == 19 && len(late) > 0 {
			seq++
			l.Append(late[0], seq)
			late = late[1:]
		}
		commit(t, l, seq)
	}
	check := func(t *testing.T, vins, devices []string, until time.Time) {
		t.Helper()
		got := replayUnits(t, l, vins, devices, until)
		want := map[int][]*series.Poll{}
		for p, err := range l.Polls(t.Context(), vins, devices, until) {
			if err != nil {
				t.Fatal(err)
			}
			if u := unitNumber(p.Device); u >= 0 && p.ClockOK {
				want[u] = append(want[u], told(p))
			}
		}
		if len(got) != len(want) {
			t.Errorf("%d units, want %d", len(got), len(want))
		}
		for u, list := range want {
			slices.SortFunc(list, func(a, b *series.Poll) int {
				if a.Before(b) {
					return -1
				}
				return 1
			})
			same(t, got[u], list)
		}
	}
	var devices []string
	for v := range 25 {
		devices = append(devices, all[v].Device)
	}
	forms := func(name string) {
		t.Run(name, func(t *testing.T) {
			check(t, nil, nil, time.Time{})
			check(t, []string{all[7].VIN}, devices[9:12], time.Time{})
			check(t, nil, devices, epoch.Add(21*time.Hour))
			check(t, []string{}, []string{}, time.Time{})
			l.held = 300
			defer func() { l.held = maxHeld }()
			check(t, nil, devices, time.Time{})
		})
	}
	forms("flushed")
	if _, err := l.Compact(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	forms("compacted")
}

// A row group of reports may be longer than what is read of it at once: no poll is lost or doubled where one stretch ends.
func TestReplayOverStretches(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	s := *l.tables[reports].spec
	s.group = 4 * stretch
	l.specs[reports], l.tables[reports].spec = &s, &s
	const units, each = 4, stretch/2 + 100 // over two stretches
	want := map[int][]*series.Poll{}
	var devices []string
	for v := range units {
		devices = append(devices, fmt.Sprintf("dgl-%04d", v))
		for n := range each {
			p := poll(v, n, n%3)
			want[v] = append(want[v], told(p))
			l.Append(p, uint64(v*each+n+1))
		}
	}
	commit(t, l, units*each)
	for _, list := range [][]string{nil, devices[:1], devices[1:2], devices[2:]} {
		got := replayUnits(t, l, nil, list, time.Time{})
		for v := range units {
			if list != nil && !slices.Contains(list, devices[v]) {
				if len(got[v]) > 0 {
					t.Errorf("unit %d was not asked for", v)
				}
				continue
			}
			same(t, got[v], want[v])
		}
	}
}

// A replay ends with the first error of its reader, with the context, and where the lake is closed.
func TestReplayEnds(t *testing.T) {
	l := open(t, t.TempDir())
	for v := range 30 {
		l.Append(poll(v, 1, 12), uint64(v+1))
	}
	commit(t, l, 30)
	q := series.Replay{Unit: func(_, device string) int { return unitNumber(device) }, Each: func(int, *series.Poll) error { return errStop }}
	if err := l.Replay(t.Context(), q); !errors.Is(err, errStop) {
		t.Errorf("%v, want the reader's error", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Replay(ctx, q); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want the context's error", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Replay(t.Context(), q); !errors.Is(err, ErrClosed) {
		t.Errorf("%v, want %v", err, ErrClosed)
	}
}

// A damaged byte anywhere in a file that a replay reads ends it with an error that names the file, or touches nothing that
// it needs; it never ends the program.
func TestReplayOfDamageEnds(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	for v := range 40 {
		l.Append(poll(v, 1, 12), uint64(v+1))
	}
	commit(t, l, 40)
	var polls atomic.Int64
	q := series.Replay{Unit: func(_, device string) int { return unitNumber(device) },
		Each: func(int, *series.Poll) error { polls.Add(1); return nil }}
	if err := l.Replay(t.Context(), q); err != nil || polls.Load() == 0 {
		t.Fatal(polls.Load(), err)
	}
	whole := polls.Load()
	for _, i := range [...]int{reports, readings} {
		path := l.set.heads[i].files[0].path
		sound, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		failed := 0
		for at := 0; at < len(sound); at += max(len(sound)/100, 1) {
			bad := slices.Clone(sound)
			bad[at] ^= 0x55
			if err := os.WriteFile(path, bad, 0o640); err != nil {
				t.Fatal(err)
			}
			polls.Store(0)
			switch err := l.Replay(t.Context(), q); {
			case err != nil && !strings.Contains(err.Error(), filepath.Base(path)):
				t.Fatalf("byte %d of %s: %v", at, path, err)
			case err != nil:
				failed++
			case polls.Load() > whole:
				t.Fatalf("byte %d of %s: %d polls, there are %d", at, path, polls.Load(), whole)
			}
		}
		if failed == 0 {
			t.Errorf("no damage to %s was noticed", path)
		}
		if err := os.WriteFile(path, sound, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	polls.Store(0)
	if err := l.Replay(t.Context(), q); err != nil || polls.Load() != whole { // buffers of failed ones are used again
		t.Errorf("sound again: %d polls of %d, %v", polls.Load(), whole, err)
	}
}
