package sql_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// Narrowing changes what is read, never what is answered: unit || ” is a condition it does not see.
func TestNarrow_SameAnswer(t *testing.T) {
	e := open(t)
	for seed := range uint64(3) {
		r := rand.New(rand.NewPCG(seed, 1))
		f := newFixture(t)
		pick := func(letter string, n int) string { // one of n names, or none
			if k := r.IntN(n + 1); k > 0 {
				return fmt.Sprint(letter, k)
			}
			return ""
		}
		var units [][3]string
		for i := range 8 { // VINs and devices may repeat: a bad roster must not double rows either
			units = append(units, [3]string{fmt.Sprint("u", i), pick("V", 7), pick("d", 7)})
		}
		f.units(units...)
		for range 3 {
			var b strings.Builder
			b.WriteString("select report_id, nullif(vin, '') as vin, device, test from (values ")
			for i := range 60 {
				if i > 0 {
					b.WriteString(", ")
				}
				fmt.Fprintf(&b, "('r%d', '%s', 'd%d', 't%d')", r.IntN(1e6), pick("V", 9), 1+r.IntN(9), r.IntN(3))
			}
			f.add("readings", b.String()+") t(report_id, vin, device, test)")
		}
		for _, q := range []string{
			"select unit, report_id, vin, device from readings where COND order by all",
			"select report_id, device from readings r where test = 't1' and COND order by all",
			"select a.report_id, b.report_id from readings a left join readings b on a.test = b.test and a.vin = b.vin where a.COND and b.COND order by all",
			"select a.report_id, b.unit from readings a full join (select * from readings where COND) b on a.vin = b.vin where a.COND order by all",
			"select a.report_id, b.report_id from readings a left join readings b on a.report_id = b.report_id and b.unit = 'u3' where a.COND order by all",
			"with x as (select * from readings where COND) select unit, count(*) from x group by 1 order by all",
			"select a.report_id, b.report_id from readings a asof left join readings b on a.test = b.test and a.report_id >= b.report_id where a.COND and b.COND order by all",
			"select a.report_id from readings a anti join readings b on a.vin = b.vin where a.COND order by all",
			"select report_id, row_number() over (order by report_id) from readings where COND or test = 't2' order by all",
		} {
			for _, list := range [][]string{{"u1"}, {"u2", "u5"}, {"u0", "nobody"}} {
				in := "'" + strings.Join(list, "', '") + "'"
				plain, hidden := "unit in ("+in+")", "unit || '' in ("+in+")"
				if len(list) == 1 {
					plain = in + " = unit"
					if strings.Contains(q, ".COND") {
						plain = "unit = " + in
					}
				}
				want := rows(t, e, f, strings.ReplaceAll(q, "COND", hidden))
				if got := rows(t, e, f, strings.ReplaceAll(q, "COND", plain)); got != want {
					t.Errorf("seed %d: %s with %s\n got %s\nwant %s", seed, q, plain, got, want)
				}
			}
		}
	}
}

func TestReadings_FiltersReachTheFiles(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.units([3]string{"bus-1", "VIN1", "d1"})
	f.add("readings", "select 'VIN1' as vin, 'd1' as device, 'm21.t89' as test, timestamp '2026-01-01' as read_at, 0.5 as margin")
	f.add("readings", `select * from (values (null, 'd2', 'm21.t90', timestamp '2020-01-01', 0.5),
		('VIN2', 'd0', 'm21.t01', timestamp '2030-01-01', 0.5)) t(vin, device, test, read_at, margin)`)
	plan := func(where string) string {
		return strings.Join(strings.Fields(strings.NewReplacer("│", " ", "─", "", "\n", " ").Replace(
			rows(t, e, f, "explain select avg(margin) from readings where "+where))), " ")
	}
	for where, want := range map[string][]string{
		"vin = 'VIN1'":                      {"vin='VIN1' AND vin IS NOT NULL"},
		"test = 'm21.t89'":                  {"test='m21.t89'"},
		"read_at >= timestamp '2026-01-01'": {"read_at>='2026-01-01"},
		"unit = 'bus-1'":                    {"vin='VIN1' AND vin IS NOT NULL", "device='d1' AND device IS"},
		"unit = 'bus-1' and test = 'm21.t89' and read_at < timestamp '2027-01-01'": {
			"vin='VIN1'", "device='d1'", "test='m21.t89'", "read_at<'2027-01-01"},
	} {
		got := plan(where)
		if !strings.Contains(got, "READ_PARQUET") {
			t.Fatalf("%s: no scan in the plan: %s", where, got)
		}
		_, filters, _ := strings.Cut(got, "Filters:")
		for _, w := range want {
			if !strings.Contains(filters, w) {
				t.Errorf("%s: %q is not a filter of the scan: %s", where, w, got)
			}
		}
	}
	if got := plan("vin = 'VIN1'"); strings.Contains(got, "JOIN") {
		t.Errorf("the roster is joined though nobody asks for the unit: %s", got)
	}
	asked := len(f.asked)
	rows(t, e, f, "select count(margin) from readings where test = 'x'")
	if len(f.asked) != asked {
		t.Errorf("asked for %v though nobody asks for the unit", f.asked[asked:])
	}
	// Every way to look at the unit without a star brings the roster in.
	for _, q := range []string{
		"select unit from readings", "select readings.unit from readings", "select r from readings r", "select readings from readings",
		"select #3 from readings", "select columns('un.t') from readings", "select x from readings t(a, b, x)",
		"select count(*) from readings join units using (unit)", "select count(*) from units natural join (select vin, unit from readings)",
		"from readings", "select count(distinct r) from readings as r", "select Unit from readings", `select "UNIT" from readings`,
		"select unit from readings group by all", "select count(*) from readings r(a, b, c, unit) where unit = 'VIN1'", "with a as (from readings) select a from a",
	} {
		if got := rows(t, e, f, q); !strings.Contains(got, "bus-1") && !strings.HasPrefix(got, "1\n") && !strings.HasPrefix(got, "3\n") {
			t.Errorf("%s: %s", q, got)
		}
	}
}

// A file that cannot hold what is asked is not opened: it is not even there.
func TestPrune_OpensWhatCanHold(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.units([3]string{"bus-1", "V1", "d1"}, [3]string{"bus-2", "V2", "d2"}, [3]string{"bus-3", "", "d3"})
	f.add("readings", "select 'V1' as vin, 'd1' as device, 't' as test, timestamp '2026-01-10' as read_at, 0.5 as margin")
	f.add("readings", "select 'V2' as vin, 'd2' as device, 't' as test, timestamp '2026-03-10' as read_at, 0.5 as margin")
	f.tables[0].Files[1].Path = "/nonexistent/a.parquet"
	for where, opened := range map[string]bool{
		"vin = 'V1'": false, "'V1' = vin": false, "vin in ('V0', 'V1')": false, "vin in ('V1', 'V2')": true, "vin >= 'V1'": true,
		"device = 'd1' and margin > 0": false, "device = 'd1' or margin > 0": true, "device = 'd' || '1'": true,
		"unit = 'bus-1'": false, "unit in ('bus-1', 'bus-2')": true, "unit = 'bus-3'": false,
		"read_at < timestamp '2026-02-01'": false, "read_at <= '2026-02-01'": false, "timestamp '2026-02-01' > read_at": false,
		"read_at between date '2026-01-01' and date '2026-02-01'": false, "read_at = timestamp '2026-01-10'": false,
		"read_at < timestamp '2026-01-10' + interval 1 month": false, "read_at < date_trunc('year', timestamp '2026-05-05') + interval 40 day": false,
		"read_at < now() - interval 10 day and read_at < '2026-02-01'": false, "read_at > '2026-01-01'": true,
		"read_at < case when margin > 0 then timestamp '2026-02-01' end": true, "read_at::date < '2026-02-01'": true,
		"not (read_at > '2026-02-01')": false, "read_at < (select max(read_at) - interval 50 day from reports)": true,
	} {
		_, err := e.Query(t.Context(), f, "select count(margin) from readings where "+where)
		if (err != nil) != opened {
			t.Errorf("%s: the other file is opened: %v, want %v (%v)", where, err != nil, opened, err)
		}
	}
	for query, opened := range map[string]bool{
		"select count(*) from readings a join readings b using (test) where a.vin = 'V1' and b.vin = 'V1'":                     false,
		"select count(*) from readings a join readings b using (test) where a.vin = 'V1'":                                      true,
		"with x as (select * from readings where vin = 'V1') select count(margin) from x":                                      false,
		"select count(margin) from readings where vin = 'V1' union all select count(margin) from readings where device = 'd1'": false,
		"select count(margin) from readings where vin = 'V1' union all select count(margin) from readings":                     true,
		"select count(margin) from (select * from readings where read_at < '2026-02-01') where vin is not null":                false,
		"select count(*) filter (vin = 'V1') from readings":                                                                    true,
		"select min(margin) from readings having min(read_at) < '2026-02-01'":                                                  true,
	} {
		_, err := e.Query(t.Context(), f, query)
		if (err != nil) != opened {
			t.Errorf("%s: the other file is opened: %v, want %v (%v)", query, err != nil, opened, err)
		}
	}
}

// Of a fleet without units that have no VIN, and files without rows that have none, the device is no part of the unit.
func TestReadings_UnitByVINAlone(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.units([3]string{"bus-1", "V1", "d1"}, [3]string{"bus-2", "V2", "d2"})
	f.add("readings", "select * from (values ('V1', 'd9'), ('V2', 'd1'), ('V7', 'd1')) t(vin, device)")
	const query = "select vin, unit from readings order by 1 nulls first"
	if got := rows(t, e, f, query); got != "V1,bus-1\nV2,bus-2\nV7,\n" {
		t.Errorf("got %s", got)
	}
	f.add("readings", "select null as vin, 'd1' as device")
	if got := rows(t, e, f, query); got != ",bus-1\nV1,bus-1\nV2,bus-2\nV7,\n" {
		t.Errorf("with a row without a VIN: %s", got)
	}
	f.units([3]string{"bus-1", "V1", "d1"}, [3]string{"bus-2", "", "d2"})
	f.tables[0].Files = f.tables[0].Files[:1]
	f.add("readings", "select 'V8' as vin, 'd2' as device")
	if got := rows(t, e, f, query); got != "V1,bus-1\nV2,\nV7,\nV8,bus-2\n" {
		t.Errorf("with a unit without a VIN: %s", got)
	}
}
