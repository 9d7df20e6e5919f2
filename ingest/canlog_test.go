package ingest

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"marginline/ingest/report"
	"marginline/ingest/series"
)

// reportsOf reads a recording to its end: the reports, and the lines that are none.
func reportsOf(t testing.TB, c *CANLog) (reports []*report.Report, other []string) {
	t.Helper()
	all, err := io.ReadAll(c)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(all)) {
		r, err := report.Parse([]byte(line))
		if err != nil {
			other = append(other, strings.TrimSuffix(line, "\n"))
			continue
		}
		reports = append(reports, r)
	}
	return reports, other
}

// told writes a report as a test looks at it.
func told(r *report.Report) string {
	s := fmt.Sprintf("%s %s %v:", r.Device, r.Time.Format("15:04:05"), r.Bus)
	for _, m := range r.Messages {
		s += " " + m.From
		if m.PGN != series.None {
			s += fmt.Sprintf("/%d", m.PGN)
		}
		if m.Broken {
			s += "!" + string(m.Raw)
		} else {
			s += fmt.Sprintf("=%X", m.Data)
		}
	}
	return s
}

func TestCANLog(t *testing.T) {
	for _, c := range []struct {
		name string
		in   []string
		want []string
	}{
		{"one poll", []string{
			"(1700000000.0) can0 7DF#020621", "(1700000000.1) can0 7E8#100A462189200140", "(1700000000.2) can0 7E0#300000", "(1700000000.3) can0 7E8#210080FFFF555555",
			"(1700000001.0) can0 7E9#03410D20AAAAAAAA",
		}, []string{"dgl-0217 22:13:20 can: 7E8=4621892001400080FFFF 7E9=410D20"}},
		{"a pause ends a report", []string{"(1700000000.0) can0 7E8#03410D20", "(1700000029.0) can0 7E8#03410D21", "(1700000060.0) can0 7E8#03410D22"},
			[]string{"dgl-0217 22:13:20 can: 7E8=410D20 7E8=410D21", "dgl-0217 22:14:20 can: 7E8=410D22"}},
		{"a clock set back ends a report", []string{"(1700000000.0) can0 7E8#03410D20", "(1600000000.0) can0 7E8#03410D21"},
			[]string{"dgl-0217 22:13:20 can: 7E8=410D20", "dgl-0217 12:26:40 can: 7E8=410D21"}},
		{"two buses of one vehicle", []string{"(1700000000.0) can0 7E8#03410D20", "(1700000000.1) can1 18FECA00#40FFAA0C1001FFFF", "(1700000000.2) can0 7E8#03410D21"},
			[]string{"dgl-0217 22:13:20 can: 7E8=410D20 7E8=410D21", "dgl-0217 22:13:20 j1939: 00/65226=40FFAA0C1001FFFF"}},
		{"answers by data identifier", []string{"(1700000000.0) can0 7E8#0462F40D20"}, []string{"dgl-0217 22:13:20 uds: 7E8=62F40D20"}},
		{"a broken message keeps its frames", []string{"(1700000000.0) can0 7E8#100A462189200140", "(1700000000.1) can0 7E8#220080FFFF555555", "(1700000000.2) can0 7E8#03410D20"},
			[]string{"dgl-0217 22:13:20 can: 7E8!100A462189200140 220080FFFF555555 7E8=410D20"}},
		{"a broken J1939 message", []string{"(1700000000.0) can0 1CECF900#100C0002FF00A400", "(1700000000.1) can0 1CEBF900#0247605AFFFFFFFF"},
			[]string{"dgl-0217 22:13:20 j1939: 00/41984!100C0002FF00A400 0247605AFFFFFFFF"}},
		{"broadcasts that say the same again", []string{"(1700000000.0) can0 18FECA00#40FFAA0C1001FFFF", "(1700000001.0) can0 18FECA00#40FFAA0C1001FFFF", "(1700000002.0) can0 18FECA00#40FFAA0C1002FFFF", "(1700000002.1) can0 18FECA0B#40FFAA0C1001FFFF", "(1700000040.0) can0 18FECA00#40FFAA0C1001FFFF"},
			[]string{"dgl-0217 22:13:20 j1939: 00/65226=40FFAA0C1001FFFF 00/65226=40FFAA0C1002FFFF 0B/65226=40FFAA0C1001FFFF", "dgl-0217 22:14:00 j1939: 00/65226=40FFAA0C1001FFFF"}},
		{"other traffic", []string{"(1700000000.0) can0 123#0102", "(1700000000.0) can0 0CF00400#0102030405060708", "(1700000000.0) can0 18DA10F1#0201", "(1700000000.0) can0 7DF#R1"}, nil},
		{"lines that are no frame", []string{"(1700000000.0) can0 7E8#03410D20", "hello"}, []string{"dgl-0217 22:13:20 can: 7E8=410D20 !hello"}},
		{"a line that is no frame on a truck", []string{"(1700000000.0) can0 18FECA00#40FFAA0C1001FFFF", "(1700000000.0) can0 18FECA00#4\xFF"}, []string{"dgl-0217 22:13:20 j1939: 00/65226=40FFAA0C1001FFFF !28313730303030303030302E30292063616E302031384645434130302334FF"}},
		{"a line that is no frame before the first frame", []string{"hello", "(1700000000.0) can0 7E8#03410D20"}, []string{"dgl-0217 22:13:20 can: 7E8=410D20"}},
		{"nothing", nil, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			log := NewCANLog(iotest.HalfReader(strings.NewReader(strings.Join(c.in, "\n"))), "dgl-0217", "")
			reports, other := reportsOf(t, log)
			var got []string
			for _, r := range reports {
				got = append(got, told(r))
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			n := log.Counts
			if n.Reports != len(reports) || n.Lines != len(c.in) || n.Frames+n.Bad+n.Skipped != n.Lines {
				t.Errorf("%+v, %d reports, %q", n, len(reports), other)
			}
			if len(other) > 0 && (len(other) > 1 || c.in[0] != "hello" || other[0] != "log line 1: hello") {
				t.Errorf("%q", other)
			}
		})
	}
}

// On a bus that is never quiet a report ends by its age, but not between a question and its answer; a report
// is never longer than a reader takes.
func TestCANLog_NeverQuiet(t *testing.T) {
	var in strings.Builder
	for s := range 1800 {
		fmt.Fprintf(&in, "(%d.0) can0 18FECA00#40FFAA0C10%02XFFFF\n", 1_700_000_000+s, s%128)
		if s >= 290 && s < 310 {
			fmt.Fprintf(&in, "(%d.5) can0 1CECF900#100C0002FF00A400\n(%d.6) can0 1CEBF900#01F7AA0C104400A0\n(%d.7) can0 1CEBF900#0247605AFFFFFFFF\n", 1_700_000_000+s, 1_700_000_000+s, 1_700_000_000+s)
		}
	}
	reports, _ := reportsOf(t, NewCANLog(strings.NewReader(in.String()), "d", ""))
	split := 0
	for _, r := range reports {
		n := 0
		for _, m := range r.Messages {
			if m.PGN == 41984 {
				n++
			}
		}
		if n > 0 {
			split++
			if n != 20 {
				t.Errorf("%d results in the report of %v", n, r.Time)
			}
		}
	}
	if split != 1 || len(reports) < 4 || len(reports) > 7 {
		t.Errorf("%d reports, %d with results", len(reports), split)
	}

	in.Reset()
	for s := range 3 * report.MaxMessages {
		fmt.Fprintf(&in, "(1700000000.%06d) can0 7E8#03410D%02X\n", s, s%256)
	}
	reports, other := reportsOf(t, NewCANLog(strings.NewReader(in.String()), "d", ""))
	if len(reports) != 3 || len(other) > 0 || len(reports[2].Messages) != report.MaxMessages {
		t.Errorf("%d reports, %d lines beside", len(reports), len(other))
	}
}

// The same recording gives the same ids; another dongle, content or interface gives others.
func TestCANLog_Ids(t *testing.T) {
	ids := func(device, in string) (list []string) {
		reports, _ := reportsOf(t, NewCANLog(strings.NewReader(in), device, ""))
		for _, r := range reports {
			list = append(list, r.ID)
		}
		return list
	}
	const in = "(1700000000.0) can0 7E8#03410D20\n(1700000000.0) can1 7E8#03410D20\n"
	a := ids("a", in)
	if !slices.Equal(a, ids("a", in)) || len(a) != 2 || a[0] == a[1] || ids("b", in)[0] == a[0] || ids("a", strings.ReplaceAll(in, "D20", "D21"))[0] == a[0] {
		t.Errorf("%q", a)
	}
}

// Whatever a recording holds, what comes out are reports that a reader takes and lines behind their number,
// and the counts account for every line.
func FuzzCANLog(f *testing.F) {
	f.Add([]byte("(1700000000.0) can0 7E8#100A462189200140\n(1700000000.1) can0 7E8#210080FFFF555555\nhello\n(1700000099.0) can1 18FECA00#40FFAA0C1001FFFF\n"))
	f.Add([]byte("(1.0) can0 1CECF900#100C0002FF00A400\n(1.1) can0 1CEBF900#01F7AA0C104400A0\n(1.2) can0 7E8#22\n(1.2) can0 7DF#R\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		log := NewCANLog(strings.NewReader(string(in)), "dgl-0217", "9ZZTEST74RA000123")
		all, err := io.ReadAll(log)
		if err != nil {
			t.Fatal(err)
		}
		if len(all) > 400*len(in)+1 {
			t.Fatalf("%d bytes of %d", len(all), len(in))
		}
		reports, lines, messages := 0, 0, 0
		for line := range strings.Lines(string(all)) {
			if strings.HasPrefix(line, "log line ") {
				lines++
				continue
			}
			r, err := report.Parse([]byte(line))
			if err != nil {
				t.Fatalf("%v: %s", err, line)
			}
			for _, m := range r.Messages {
				if m.Fault != "" && !m.Broken {
					t.Fatal(m.Fault)
				}
			}
			reports++
			messages += len(r.Messages)
		}
		n := log.Counts
		if reports != n.Reports || lines > n.Bad || messages != n.Messages+n.Broken+n.Bad-lines || n.Frames+n.Bad+n.Skipped > n.Lines {
			t.Fatalf("%+v: %d reports, %d lines, %d messages", n, reports, lines, messages)
		}
	})
}

func BenchmarkCANLog(b *testing.B) {
	var in strings.Builder
	for i := range 100 {
		fmt.Fprintf(&in, "(%d.0) can0 7E8#100A462189200140\n(%d.1) can0 7E0#300000\n(%d.2) can0 7E8#210080FFFF555555\n", 1_700_000_000+60*i, 1_700_000_000+60*i, 1_700_000_000+60*i)
	}
	b.SetBytes(int64(in.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if n, err := io.Copy(io.Discard, NewCANLog(strings.NewReader(in.String()), "d", "")); n == 0 || err != nil {
			b.Fatal(n, err)
		}
	}
}
