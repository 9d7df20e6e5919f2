package knowledge

import "testing"

func TestLoad(t *testing.T) {
	if n := len(Builtin().Entries()); n < 15 {
		t.Fatal(n)
	}
}
