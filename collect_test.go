package main

import "testing"

func TestPaceOfTheCollector(t *testing.T) {
	for _, c := range []struct {
		live uint64
		want int
	}{{0, 200}, {20 << 20, 200}, {80 << 20, 200}, {160 << 20, 100}, {320 << 20, 50}, {4 << 30, 40}} {
		if got := pace(c.live); got != c.want {
			t.Errorf("%d MiB in use: grows by %d %%, want %d", c.live>>20, got, c.want)
		}
	}
}
