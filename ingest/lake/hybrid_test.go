package lake

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// The worked examples of the Apache Parquet format ("Encodings", RLE = 3, https://parquet.apache.org/docs/file-format/data-pages/encodings/,
// from memory of the document): the numbers 0 to 7 in three bits each are 88 C6 FA; a run of length n is n<<1, then the value.
func TestHybridIsAsTheFormatSays(t *testing.T) {
	for _, c := range []struct {
		values []int32
		width  int
		want   []byte
	}{
		{[]int32{0, 1, 2, 3, 4, 5, 6, 7}, 3, []byte{1<<1 | 1, 0x88, 0xC6, 0xFA}},
		{[]int32{0, 1, 2, 3, 4, 5, 6, 7, 5}, 3, []byte{2<<1 | 1, 0x88, 0xC6, 0xFA, 5, 0, 0}},
		{repeat(300, 100), 9, []byte{100<<1&0x7F | 0x80, 100 << 1 >> 7, 300 & 0xFF, 300 >> 8}},
		{append([]int32{1}, repeat(2, 40)...), 2, []byte{1<<1 | 1, 0b10101001, 0b10101010, 33 << 1, 2}},
		{repeat(0, 9), 1, []byte{2<<1 | 1, 0, 0}},
		{nil, 7, nil},
	} {
		if got := appendHybrid(nil, c.values, c.width); !bytes.Equal(got, c.want) {
			t.Errorf("%v in %d bits: % X, want % X", c.values, c.width, got, c.want)
		}
	}
}

func repeat(v int32, n int) (out []int32) {
	for range n {
		out = append(out, v)
	}
	return out
}

// Runs of all lengths of values from few to many, with gaps, over several row groups: arrow, the reader here, gives back
// what was written. Tests come twice in a report, change their limits, and reports differ in length.
func TestArrowReadsRunsOfAllLengths(t *testing.T) {
	for seed := range uint64(2) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			var polls []*series.Poll
			var r series.Result
			for i := range 1600 {
				p := poll(i%7, i, 0)
				for k := range rnd.IntN(50) {
					if n := int32(1) << rnd.IntN(17); k == 0 || rnd.IntN(1+rnd.IntN(40)) == 0 {
						r = someResult(rnd, n)
					}
					p.Results = append(p.Results, r)
				}
				if i > 7 && rnd.IntN(2) == 0 { // the same tests again
					p.Results = append(p.Results[:0], polls[i-7].Results...)
				}
				for k := range p.Results {
					if rnd.IntN(3) == 0 {
						p.Results[k].Margin = rnd.Float64()
					}
				}
				polls = append(polls, p)
			}
			l := open(t, t.TempDir())
			feed(l, polls, 1)
			commit(t, l, uint64(len(polls)))
			if n := l.Stats()[readings].Rows; n < 32<<10 {
				t.Fatalf("%d readings: one row group", n)
			}
			slices.SortFunc(polls, func(a, b *series.Poll) int { return strings.Compare(a.ReportID, b.ReportID) })
			got := fetch(t, l, nil, nil, time.Time{})
			if len(got) != len(polls) {
				t.Fatalf("%d polls, want %d", len(got), len(polls))
			}
			for i, p := range polls { // cmp looks at each field by reflection, which takes a minute
				if !slices.EqualFunc(got[i].Results, p.Results, func(a, b series.Result) bool { return numbered(a) == numbered(b) }) {
					same(t, got[i:i+1], polls[i:i+1])
				}
			}
		})
	}
}

// numbered is a result in which nothing is unequal to itself.
func numbered(r series.Result) series.Result {
	for _, f := range []*float64{&r.Value, &r.Min, &r.Max, &r.Margin} {
		if *f != *f {
			*f = -1e99
		}
	}
	return r
}

// someResult draws every field from n values or fewer.
func someResult(rnd *rand.Rand, n int32) series.Result {
	r := series.NewResult()
	r.ECU, r.Test, r.UnitOfMeasure = "7e8", fmt.Sprintf("m%02x.t01", rnd.Int32N(min(n, 250))), "1"
	r.Coding, r.State = series.Coding(rnd.IntN(2)), series.State(rnd.IntN(2))
	for _, f := range []*int32{&r.MID, &r.TID, &r.SPN, &r.Raw.Value, &r.Raw.Min, &r.Raw.Max, &r.Runs} {
		if rnd.IntN(3) > 0 {
			*f = rnd.Int32N(n)
		}
	}
	for _, f := range []*float64{&r.Value, &r.Min, &r.Max} {
		switch rnd.IntN(4) {
		case 0:
			*f = float64(rnd.Int32N(n)) / 7
		case 1:
			*f = math.Copysign(0, -1)
		}
	}
	r.Passed, r.Done = series.Tri(rnd.IntN(3)-1), series.Tri(rnd.IntN(3)-1)
	return r
}
