package flight

import (
	"encoding/base64"
	"testing"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/memory"
)

// Patterns as SQL's LIKE has them: % any characters, _ one.
func TestLike(t *testing.T) {
	for _, test := range []struct {
		pattern, name string
		want          bool
	}{
		{"%", "readings", true}, {"read%", "readings", true}, {"READ%", "readings", true}, {"re%s", "reports", true}, {"re_orts", "reports", true},
		{"re", "reports", false}, {"_", "", false}, {"", "", true}, {`work\_orders`, "work_orders", true}, {`work\_orders`, "workxorders", false}, {"a.c", "abc", false}, {`\`, "x", false},
	} {
		if got := like(test.pattern, test.name); got != test.want {
			t.Errorf("%q like %q: %v", test.name, test.pattern, got)
		}
	}
}

func TestPassword(t *testing.T) {
	for text, want := range map[string]string{"a:b": "b", "a:b:c": "b:c", ":b": "b", "ab": "", "": ""} {
		if got := password(base64.StdEncoding.EncodeToString([]byte(text))); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	if got := password("!"); got != "" {
		t.Errorf("nonsense: %q", got)
	}
}

func TestValueOf(t *testing.T) {
	b := array.NewDenseUnionBuilder(memory.DefaultAllocator, arrow.DenseUnionOf([]arrow.Field{{Name: "s", Type: arrow.BinaryTypes.String}, {Name: "n", Type: arrow.PrimitiveTypes.Int64}}, []arrow.UnionTypeCode{0, 1}))
	defer b.Release()
	b.Append(1)
	b.Child(1).(*array.Int64Builder).Append(42)
	a := b.NewArray()
	defer a.Release()
	if v, err := valueOf(a); err != nil || v != int64(42) {
		t.Errorf("a union: %v %v", v, err)
	}
	n := array.NewInt32Builder(memory.DefaultAllocator)
	defer n.Release()
	n.AppendNull()
	if v, err := valueOf(n.NewArray()); err != nil || v != nil {
		t.Errorf("null: %v %v", v, err)
	}
}
