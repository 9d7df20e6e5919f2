package lake

import (
	"testing"

	"marginline/ingest/series"
)

// Places of the columns that column.test marks are taken over where sameTest says so: it has to look at all of them.
func TestSameTestLooksAtEveryColumnOfATest(t *testing.T) {
	marked := 0
	for i := range specs[readings].columns {
		c := &specs[readings].columns[i]
		if !c.test || c.name == "ord" { // which the layout compares
			continue
		}
		marked++
		a, b := series.NewResult(), series.NewResult()
		if !sameTest(&a, &b) {
			t.Fatal("two blank results differ")
		}
		w := row{p: &series.Poll{}, r: &b}
		var err error
		switch {
		case c.text != nil:
			err = c.text.set(&w, "x")
		case c.num != nil:
			err = c.num.set(&w, 1)
		case c.real != nil:
			err = c.real.set(&w, 1)
		default:
			t.Fatalf("column %s: another type", c.name)
		}
		if err != nil {
			t.Fatal(err)
		}
		if sameTest(&a, &b) {
			t.Errorf("column %s is not looked at", c.name)
		}
	}
	if marked < 10 {
		t.Errorf("%d columns", marked)
	}
}
