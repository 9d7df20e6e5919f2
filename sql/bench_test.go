package sql_test

import (
	"fmt"
	"testing"
)

// million is one million readings of 500 units in ten files, each sorted by VIN as the lake sorts them.
func million(b *testing.B) *fixture {
	f := newFixture(b)
	var units [][3]string
	for i := range 500 {
		units = append(units, [3]string{fmt.Sprintf("unit-%03d", i), fmt.Sprintf("9ZZTEST74RA%06d", i), fmt.Sprintf("dgl-%d", i)})
	}
	f.units(units...)
	for k := range 10 {
		f.add("readings", fmt.Sprintf(`select '9ZZTEST74RA' || printf('%%06d', i %% 500) as vin, 'dgl-' || (i %% 500) as device,
			timestamp '2026-01-01' + interval (%d * 20 + i // 5000) day + interval (i %% 1440) minute as read_at, true as clock_ok,
			'r' || (%d * 100000 + i // 10) as report_id, 'can' as bus, '7e8' as ecu, 'm' || (i // 500 %% 20) || '.t01' as test,
			'ok' as state, true as passed, '1' as unit_of_measure, random() as value, 1::double as max, random() as margin
			from range(100000) t(i) order by vin, device, read_at`, k, k))
	}
	return f
}

func BenchmarkQuery(b *testing.B) {
	f := million(b)
	e := open(b)
	for _, bench := range []struct{ name, query string }{
		{"unit and test", "select read_at, value, margin from readings where unit = 'unit-123' and test = 'm7.t01' order by read_at"},
		{"unit and test, not narrowed", "select read_at, value, margin from readings where unit || '' = 'unit-123' and test = 'm7.t01' order by read_at"},
		{"unit, all columns", "select * from readings where unit = 'unit-123'"},
		{"fleet by test, no unit", "select test, avg(margin) from readings group by 1"},
		{"fleet by unit", "select unit, min(margin) from readings group by 1"},
		{"no view", "select 1"},
	} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := e.Query(b.Context(), f, bench.query); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkSmallFiles asks a lake of 300 files of 2,000 readings each, as flushes leave it before they are merged.
func BenchmarkSmallFiles(b *testing.B) {
	f := newFixture(b)
	f.units([3]string{"unit-123", "9ZZTEST74RA000123", "dgl-123"})
	for k := range 300 {
		f.add("readings", fmt.Sprintf(`select '9ZZTEST74RA' || printf('%%06d', i %% 500) as vin, 'dgl-' || (i %% 500) as device,
			timestamp '2026-01-01' + interval (%d) hour as read_at, true as clock_ok, 'r' || (%d * 1000000 + i // 20) as report_id,
			'can' as bus, '7e8' as ecu, 'm' || (i // 500) || '.t01' as test, 'ok' as state, true as passed, '1' as unit_of_measure,
			random() as value, 1::double as max, random() as margin from range(2000) t(i) order by vin, device, read_at`, k, k))
	}
	e := open(b)
	for _, bench := range []struct{ name, query string }{
		{"unit", "select read_at, value from readings where unit = 'unit-123'"},
		{"fleet by test", "select test, count(*), avg(margin) from readings group by 1"},
	} {
		b.Run(bench.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := e.Query(b.Context(), f, bench.query); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
