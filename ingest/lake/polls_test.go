package lake

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"marginline/ingest/series"
)

func TestPollsOfSomeVehicles(t *testing.T) {
	l := open(t, t.TempDir())
	var all []*series.Poll
	seq := uint64(0)
	for part := range 3 {
		for v := range 30 {
			for n := range 4 {
				p := poll(v, part*4+n, (v+n)%7)
				if v%10 == 9 {
					p.VIN = "" // known by its device only
				}
				seq++
				l.Append(p, seq)
				all = append(all, p)
			}
		}
		commit(t, l, seq)
	}
	all = ordered(all)
	pick := func(keep func(*series.Poll) bool) []*series.Poll {
		return slices.DeleteFunc(slices.Clone(all), func(p *series.Poll) bool { return !keep(p) })
	}
	until := epoch.Add(37 * time.Hour)
	for name, c := range map[string]struct {
		vins, devices []string
		until         time.Time
		want          []*series.Poll
	}{
		"all":               {nil, nil, time.Time{}, all},
		"nobody":            {[]string{}, nil, time.Time{}, nil},
		"unknown":           {[]string{"9ZZNONE"}, []string{"dgl-none"}, time.Time{}, nil},
		"no VIN is no name": {[]string{""}, nil, time.Time{}, nil},
		"one VIN":           {[]string{all[40].VIN}, nil, time.Time{}, pick(func(p *series.Poll) bool { return p.VIN == all[40].VIN })},
		"one device":        {nil, []string{"dgl-0019"}, time.Time{}, pick(func(p *series.Poll) bool { return p.Device == "dgl-0019" })},
		"VIN or device": {[]string{all[40].VIN}, []string{"dgl-0019", "dgl-0002"}, time.Time{}, pick(func(p *series.Poll) bool {
			return p.VIN == all[40].VIN || p.Device == "dgl-0019" || p.Device == "dgl-0002"
		})},
		"up to a time":           {nil, nil, until, pick(func(p *series.Poll) bool { return !p.ReadAt.After(until) })},
		"one VIN, up to a time":  {[]string{all[40].VIN}, nil, until, pick(func(p *series.Poll) bool { return p.VIN == all[40].VIN && !p.ReadAt.After(until) })},
		"up to the very reading": {nil, nil, all[0].ReadAt, pick(func(p *series.Poll) bool { return !p.ReadAt.After(all[0].ReadAt) })},
		"before the first":       {nil, nil, epoch.AddDate(-1, 0, 0), nil},
	} {
		t.Run(name, func(t *testing.T) { same(t, fetch(t, l, c.vins, c.devices, c.until), c.want) })
	}

	n := 0
	for range l.Polls(t.Context(), nil, nil, time.Time{}) {
		if n++; n == 5 {
			break
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for p, err := range l.Polls(ctx, nil, nil, time.Time{}) {
		if !errors.Is(err, context.Canceled) || p != nil {
			t.Errorf("after cancel: %v %v", p, err)
		}
	}
	if len(l.refs) != 0 {
		t.Errorf("%d states are still held", len(l.refs))
	}
	if err := l.Reports(t.Context(), func(string, uint64) error { return errStop }); !errors.Is(err, errStop) {
		t.Errorf("Reports: %v", err)
	}
}

// More rows than a row group and than a write batch of the Parquet library, with nulls scattered over
// every optional column: reports that span row groups come back whole.
func TestManyRowGroups(t *testing.T) {
	l := open(t, t.TempDir())
	for i, tb := range l.tables {
		s := *tb.spec
		s.group = [...]int{readings: 3000, codes: 70, reports: 45}[i]
		tb.spec = &s
	}
	var want []*series.Poll
	for i := range 220 {
		p := poll(i%11, i, 37+i%90)
		for j := range p.Results {
			r := &p.Results[j]
			if (i+j)%3 == 0 {
				r.CalID, r.UAS, r.DTC = "", series.None, "P0420-00"
			}
			if (i+j)%5 == 0 {
				r.Passed, r.Done, r.Runs, r.Value = series.Unknown, series.True, int32(j), series.Absent()
			}
		}
		if i%7 == 0 {
			p.VIN = ""
		}
		want = append(want, p)
		l.Append(p, uint64(i+1))
	}
	commit(t, l, 220)
	f, err := openParquet(l.set.heads[readings].files[0].path)
	if err != nil {
		t.Fatal(err)
	}
	if n := f.NumRowGroups(); n < 5 || f.Close() != nil {
		t.Errorf("%d row groups", n)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(want))
	vin := want[25].VIN
	one := slices.DeleteFunc(slices.Clone(want), func(p *series.Poll) bool { return p.VIN != vin })
	same(t, fetch(t, l, []string{vin}, nil, time.Time{}), ordered(one))
	verified(t, l.dir)
}
