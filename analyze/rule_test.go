package analyze

import (
	"math"
	"math/rand/v2"
	"testing"

	"marginline/ingest/series"
)

// wear is a course of one test with a maximum of 1: healthy at 0.4 with noise, then from day onset on
// rising in a line that reaches the limit after length days. perDay results a day.
func wear(rng *rand.Rand, days, perDay int, noise, onset, length float64) []*series.Poll {
	var polls []*series.Poll
	for i := range days * perDay {
		d := float64(i) / float64(perDay)
		x := 0.4 + 0.6*(noise*rng.NormFloat64()+max(0, (d-onset)/length))
		polls = append(polls, poll(d, upTo(x)))
	}
	return polls
}

func TestSlowWear(t *testing.T) {
	steep := 0
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 1))
		v := newTestVehicle(t)
		apply(t, v, wear(rng, 100, 1, 0.06, 30, 60)...)
		list := v.Signals()
		if len(list) == 0 || list[0].Kind != Drift && list[0].Kind != Jump {
			t.Fatalf("seed %d: signals %q, want drift first", seed, kindsOf(list))
		}
		if list[0].Kind == Jump { // chance made the wear look steep
			steep++
		}
		raised := list[0].RaisedAt.Sub(epoch0).Hours() / 24
		since := list[0].Evidence.Since.Sub(epoch0).Hours() / 24
		if raised < 40 || raised > 72 {
			t.Errorf("seed %d: raised on day %.0f of a wear from day 30 to 90", seed, raised)
		}
		if since < 20 || since > 55 {
			t.Errorf("seed %d: began no later than day %.0f, want near 30", seed, since)
		}
	}
	if steep > 3 {
		t.Errorf("%d of 40 slow wears are called a jump", steep)
	}
}

func TestHealthyIsQuiet(t *testing.T) {
	n := 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 2))
		v := newTestVehicle(t)
		apply(t, v, wear(rng, 180, 2, 0.09, math.Inf(1), 1)...)
		n += len(v.Signals())
	}
	if n > 0 {
		t.Errorf("%d signals from 200 healthy series over 180 days", n)
	}
}

// play applies one result a day with a maximum of 1 and healthy level 0.4, shares in units of the healthy
// distance: 0 healthy, 1 at the limit.
func play(t *testing.T, v *Vehicle, mid int32, from float64, perDay int, shares ...float64) float64 {
	t.Helper()
	for i, u := range shares {
		apply(t, v, poll(from+float64(i)/float64(perDay), result(mid, 0x80, 0.4+0.6*u, none, 1)))
	}
	return from + float64(len(shares))/float64(perDay)
}

// noise is n shares around a level.
func shares(rng *rand.Rand, n int, level, sd float64) []float64 {
	list := make([]float64, n)
	for i := range list {
		list[i] = level + sd*rng.NormFloat64()
	}
	return list
}

func TestQuiet(t *testing.T) {
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 6))
		for name, story := range map[string]func(v *Vehicle){
			"one wild result": func(v *Vehicle) {
				d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.06)...)
				d = play(t, v, 0x21, d, 1, 0.95)
				play(t, v, 0x21, d, 1, shares(rng, 40, 0, 0.06)...)
			},
			"a hot week after refuelling": func(v *Vehicle) {
				d := play(t, v, 0x3A, 0, 1, shares(rng, 40, 0, 0.09)...)
				d = play(t, v, 0x3A, d, 1, 0.45, 0.1, 0.6, 0.5, -0.05, 0.35, 0.4)
				play(t, v, 0x3A, d, 1, shares(rng, 40, 0, 0.09)...)
			},
			"a filter's saw-tooth": func(v *Vehicle) {
				var list []float64
				phase := rng.IntN(12)
				for i := range 150 {
					list = append(list, 0.55*float64((i+phase)%12)/12+0.05*rng.NormFloat64())
				}
				play(t, v, 0xB2, 0, 2, list...)
			},
			"a season": func(v *Vehicle) {
				list := shares(rng, 180, 0, 0.06)
				for i := range list {
					list[i] += 0.12 * math.Sin(float64(i)/58+float64(seed))
				}
				play(t, v, 0x21, 0, 1, list...)
			},
			"a benign step": func(v *Vehicle) {
				d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.06)...)
				play(t, v, 0x21, d, 1, shares(rng, 100, 0.12, 0.06)...) // as large as those of the hard fleet
			},
			"a clear of codes": func(v *Vehicle) {
				d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.06)...)
				apply(t, v, poll(d, notRun()), poll(d+1, notRun()))
				play(t, v, 0x21, d+2, 1, shares(rng, 40, 0, 0.06)...)
			},
			"a reflash with limits 12 percent lower": func(v *Vehicle) {
				for i, u := range shares(rng, 80, 0, 0.06) {
					hi, cal := 1.0, "A"
					if i >= 40 {
						hi, cal = 0.88, "B"
					}
					apply(t, v, poll(float64(i), withCal(result(0x21, 0x80, 0.4+0.6*u, none, hi), cal)))
				}
			},
			"repeats of one high result": func(v *Vehicle) {
				d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.06)...)
				for i := range 40 {
					apply(t, v, poll(d+float64(i)/4, upTo(0.4+0.6*0.8)))
				}
			},
			"a counter that is nearly always zero": func(v *Vehicle) {
				for i := range 120 {
					x := 0.0
					if rng.IntN(6) == 0 {
						x = float64(1+rng.IntN(2)) / 100
					}
					apply(t, v, poll(float64(i), result(0xA2, 0x0B, x, none, 0.2)))
				}
			},
		} {
			v := newTestVehicle(t)
			story(v)
			for _, s := range v.signals {
				t.Errorf("%s, seed %d: %s raised %s, used %.2f score %.1f", name, seed, s.Kind, s.RaisedAt.Format("Jan 2"), s.Evidence.Used, s.Evidence.Score)
			}
		}
	}
}

func TestKinds(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 7))
	healthy := shares(rng, 30, 0, 0.05)
	for _, c := range []struct {
		name string
		then []float64
		want string
	}{
		{"a failing result", []float64{1.05}, "failed"},
		{"two in a row far out", []float64{0.8, 0.85}, "jump"},
		{"one far out", []float64{0.8, 0.02}, ""},
	} {
		v := newTestVehicle(t)
		d := play(t, v, 0x21, 0, 1, healthy...)
		play(t, v, 0x21, d, 1, c.then...)
		if got := kindsOf(v.signals); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestLimitIsNear(t *testing.T) {
	v := newTestVehicle(t)
	rng := rand.New(rand.NewPCG(2, 7))
	d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.04)...)
	for i := range 14 {
		d = play(t, v, 0x21, d, 1, float64(i+1)*0.06+0.02*rng.NormFloat64())
	}
	var near *Signal
	for i := range v.signals {
		if v.signals[i].Kind == Imminent {
			near = &v.signals[i]
		}
	}
	if near == nil || near.Evidence.Used > 0.85 {
		t.Fatalf("signals %q, want imminent before 85 percent are used", kindsOf(v.signals))
	}
	n := now(t, v)
	if n.Crossing == nil || n.Crossing.P50.IsZero() || n.Crossing.P10.After(n.Crossing.P50) {
		t.Fatalf("crossing %+v of a steep wear", n.Crossing)
	}
	if ahead := n.Crossing.P50.Sub(n.LastFresh).Hours() / 24; ahead > 10 {
		t.Errorf("limit expected in %.1f days, the line reaches it in 2.7", ahead)
	}
}

func TestNoDateForAFlatSeries(t *testing.T) {
	dates := 0
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 8))
		v := newTestVehicle(t)
		play(t, v, 0x21, 0, 1, shares(rng, 120, 0, 0.06)...)
		if now(t, v).Crossing != nil {
			dates++
		}
	}
	if dates > 2 {
		t.Errorf("%d of 100 flat series have a date", dates)
	}
}

func TestEpisodeEndsAndAnotherBegins(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 7))
	v := newTestVehicle(t)
	d := play(t, v, 0x21, 0, 1, shares(rng, 30, 0, 0.05)...)
	for range 2 {
		for i := range 40 {
			d = play(t, v, 0x21, d, 1, min(0.7, float64(i)/50)+0.05*rng.NormFloat64())
		}
		repaired := d
		d = play(t, v, 0x21, d, 1, shares(rng, 20, 0.02, 0.05)...)
		last := v.signals[len(v.signals)-1]
		if last.Ended != "recovered" || last.EndedAt.Before(poll(repaired).ReadAt) {
			t.Fatalf("%s ended %q at %v, want recovered after the repair", last.Kind, last.Ended, last.EndedAt)
		}
	}
	drifts := 0
	for _, s := range v.signals {
		if s.Kind == Drift {
			drifts++
		}
	}
	if drifts != 2 {
		t.Errorf("%d drifts (%s), want one for each wear", drifts, kindsOf(v.signals))
	}
}

func TestRepairWithReflashEndsTheEpisode(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 7))
	for name, level := range map[string]float64{"good values": 0.02, "still worn": 0.6} {
		v := newTestVehicle(t)
		d := 0.0
		take := func(u, hi float64, cal string) {
			apply(t, v, poll(d, withCal(result(0x21, 0x80, 0.4+0.6*u+0.03*rng.NormFloat64(), none, hi), cal)))
			d++
		}
		for range 30 {
			take(0, 1, "A")
		}
		for i := range 40 {
			take(min(0.6, float64(i)/50), 1, "A")
		}
		for range 20 {
			take(level, 1.1, "B")
		}
		if len(v.signals) == 0 {
			t.Fatal("no signal of the wear")
		}
		want := ""
		if level < 0.1 {
			want = "epoch"
		}
		if got := v.signals[0].Ended; got != want {
			t.Errorf("%s after a reflash: ended %q, want %q", name, got, want)
		}
	}
}

func TestSickFromTheStart(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 7))
	v := newTestVehicle(t)
	d := 0.0
	for range 10 {
		apply(t, v, poll(d, upTo(0.92+0.02*rng.NormFloat64())))
		d++
	}
	if got := kindsOf(v.signals); got != "imminent" {
		t.Fatalf("signals %q of a series with 8 percent of margin, want imminent", got)
	}
	if !now(t, v).Learning {
		t.Error("not learning after 10 results")
	}
	for range 10 {
		apply(t, v, poll(d, upTo(0.3+0.02*rng.NormFloat64())))
		d++
	}
	if s := v.signals[0]; s.Ended != "recovered" {
		t.Errorf("ended %q after the repair, want recovered", s.Ended)
	}
	if n := now(t, v); n.Used > 0.3 {
		t.Errorf("%.2f used of a repaired series", n.Used)
	}
}

func TestSurprise(t *testing.T) {
	code := func(p *series.Poll, kind series.CodeKind, code string) *series.Poll {
		p.Codes = []series.Code{{ECU: "7e8", Kind: kind, Code: code}}
		return p
	}
	for _, c := range []struct {
		name  string
		polls []*series.Poll
		want  string
	}{
		{"after a week", []*series.Poll{poll(0, upTo(0.4)), code(poll(8, upTo(0.4)), series.CodeConfirmed, "P0420"), code(poll(9), series.CodeConfirmed, "P0420")}, "surprise"},
		{"two codes of a family", []*series.Poll{poll(0, upTo(0.4)), code(poll(8, upTo(0.4)), series.CodeConfirmed, "P0420"), code(poll(9), series.CodeConfirmed, "P0421")}, "surprise"},
		{"pending", []*series.Poll{poll(0, upTo(0.4)), code(poll(8, upTo(0.4)), series.CodePending, "P0420")}, ""},
		{"stored at enrolment", []*series.Poll{code(poll(0, upTo(0.4)), series.CodeConfirmed, "P0420"), code(poll(8), series.CodeConfirmed, "P0420")}, ""},
		{"stored in the first week", []*series.Poll{poll(0, upTo(0.4)), code(poll(6), series.CodeConfirmed, "P0420"), code(poll(30), series.CodeConfirmed, "P0420")}, ""},
		{"no monitored test", []*series.Poll{poll(0, upTo(0.4)), code(poll(8), series.CodeConfirmed, "P0442")}, ""},
		{"no family", []*series.Poll{poll(0, upTo(0.4)), code(poll(8), series.CodeConfirmed, "B1234")}, ""},
		{"after a signal", []*series.Poll{poll(0, upTo(0.4)), poll(7, upTo(1.2)), code(poll(8), series.CodeConfirmed, "P0420")}, "failed"},
		{"with the first failing result", []*series.Poll{poll(0, upTo(0.4)), code(poll(8, upTo(1.2)), series.CodeActive, "P0420")}, "failed surprise"},
	} {
		v := newTestVehicle(t)
		apply(t, v, c.polls...)
		if got := kindsOf(v.signals); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
