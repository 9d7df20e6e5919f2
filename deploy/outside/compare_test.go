package outside

import (
	"cmp"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/maphash"
	"math"
	"testing"
)

// less orders two values of one type; false before true.
func less(a, b any) bool {
	switch x := a.(type) {
	case string:
		return x < b.(string)
	case int64:
		return x < b.(int64)
	case float64:
		return cmp.Less(x, b.(float64))
	case bool:
		return !x && b.(bool)
	}
	panic(fmt.Sprintf("values of type %T are not compared", a))
}

// multiset counts rows by a hash of their values, so that two tables can be compared whatever their order.
type multiset map[uint64]int

var seed = maphash.MakeSeed()

func (m multiset) add(row []any, by int) {
	k := hash(row)
	if m[k] += by; m[k] == 0 {
		delete(m, k)
	}
}

func hash(row []any) uint64 {
	var room [1024]byte
	b := room[:0]
	for _, v := range row {
		switch x := v.(type) {
		case nil:
			b = append(b, 'n')
		case string:
			b = append(binary.AppendUvarint(append(b, 's'), uint64(len(x))), x...)
		case int64:
			b = binary.LittleEndian.AppendUint64(append(b, 'i'), uint64(x))
		case float64:
			b = binary.LittleEndian.AppendUint64(append(b, 'f'), math.Float64bits(x+0)) // -0 is 0
		case bool:
			b = append(b, 'b', '0')
			if x {
				b[len(b)-1] = '1'
			}
		default:
			panic(fmt.Sprintf("values of type %T are not compared", v))
		}
	}
	return maphash.Bytes(seed, b)
}

// difference is how often each kind of row stands more often in a than in b; empty when they are the same.
func difference(a, b [][]any) multiset {
	m := multiset{}
	for _, r := range a {
		m.add(r, 1)
	}
	for _, r := range b {
		m.add(r, -1)
	}
	return m
}

// sameRows compares rows as multisets and shows one that only one side has.
func sameRows(t *testing.T, what string, columns []string, a, b [][]any) {
	t.Helper()
	m := difference(a, b)
	if len(m) == 0 {
		return
	}
	t.Errorf("%s: %d and %d rows, %d kinds of rows differ", what, len(a), len(b), len(m))
	show := func(side string, rows [][]any, more func(n int) bool) {
		for _, r := range rows {
			if more(m[hash(r)]) {
				t.Errorf("only in %s: %v\n%v", side, columns, r)
				return
			}
		}
	}
	show("the first", a, func(n int) bool { return n > 0 })
	show("the second", b, func(n int) bool { return n < 0 })
}

// A profile is what is compared of a column where rows are not: see read.mjs, which makes the same.
type profile struct {
	Type  string  `json:"type"`
	Nulls int     `json:"nulls"`
	Sum   float64 `json:"sum"`
	Min   any     `json:"min"`
	Max   any     `json:"max"`
}

func (p *profile) add(v any) {
	switch x := v.(type) {
	case nil:
		p.Nulls++
		return
	case string:
		p.Sum += float64(len(x))
	case float64:
		p.Sum += x
	case int64:
		if p.Type == "int" {
			p.Sum += float64(x)
		} else {
			p.Sum += float64(x % 1000003)
		}
	case bool:
		if v = float64(0); x {
			v = float64(1)
		}
		p.Sum += v.(float64)
	}
	if p.Min == nil || less(v, p.Min) {
		p.Min = v
	}
	if p.Max == nil || less(p.Max, v) {
		p.Max = v
	}
}

// written is a value as read.mjs writes it.
func (p *profile) written(v any) any {
	switch x := v.(type) {
	case int64:
		if p.Type == "int" {
			return float64(x)
		}
		return fmt.Sprint(x)
	default:
		return v
	}
}

// same says whether two profiles agree; sums of doubles may differ by the order of adding.
func (p *profile) same(node profile) bool {
	near := math.Abs(p.Sum-node.Sum) <= 1e-9*max(1, math.Abs(p.Sum))
	return p.Type == node.Type && p.Nulls == node.Nulls && near && p.written(p.Min) == node.Min && p.written(p.Max) == node.Max
}

// A tableSeen is a table as read.mjs saw it.
type tableSeen struct {
	Rows    int                `json:"rows"`
	Files   int                `json:"files"`
	Columns map[string]profile `json:"columns"`
}

func parseSeen(b []byte) (seen map[string]tableSeen, err error) {
	return seen, json.Unmarshal(b, &seen)
}

// The comparison itself tells apart what it must.
func TestDifferencesAreSeen(t *testing.T) {
	kinds := []any{nil, "", "n", int64(0), int64(1), 0.0, 1.0, false, true, "0"}
	for i, a := range kinds {
		for j, b := range kinds {
			if d := difference([][]any{{"x", a}}, [][]any{{"x", b}}); (len(d) == 0) != (i == j) {
				t.Errorf("%T %v and %T %v: difference %v", a, a, b, b, d)
			}
		}
	}
	if len(difference([][]any{{"a", "bc"}}, [][]any{{"ab", "c"}})) == 0 || len(difference([][]any{{"a"}, {"a"}}, [][]any{{"a"}})) == 0 {
		t.Error("shifted or doubled values are not seen")
	}
	if len(difference([][]any{{"a"}, {"b"}}, [][]any{{"b"}, {"a"}})) != 0 {
		t.Error("order is taken for a difference")
	}
	p := profile{Type: "double"}
	for _, v := range []any{1.5, nil, -2.0} {
		p.add(v)
	}
	if right := (profile{"double", 1, -0.5, -2.0, 1.5}); !p.same(right) {
		t.Errorf("%+v is not %+v", p, right)
	}
	for _, wrong := range []profile{{"double", 0, -0.5, -2.0, 1.5}, {"double", 1, -0.4, -2.0, 1.5}, {"double", 1, -0.5, -1.0, 1.5}, {"double", 1, -0.5, -2.0, 1.0}, {"int", 1, -0.5, -2.0, 1.5}} {
		if p.same(wrong) {
			t.Errorf("%+v is taken for %+v", wrong, p)
		}
	}
}
