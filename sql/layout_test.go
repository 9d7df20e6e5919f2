package sql_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"marginline/sql"
)

// The files of a table that was changed twice: an older one has vin under another name, a value that was
// an INTEGER and no unit_of_measure; the table itself gained a column that no file has.
func TestLayouts_ByFieldID(t *testing.T) {
	e, f := open(t), newFixture(t)
	ids := map[string]int{}
	for _, field := range fieldsOf("readings") {
		ids[field.Name] = field.ID
	}
	old := filepath.Join(f.dir, "old.parquet")
	if _, err := f.db.Exec(fmt.Sprintf(`COPY (SELECT 7::INTEGER AS value, 'V1' AS vehicle, timestamp '2026-01-01' AS read_at, 'kept' AS "odd ""name")
		TO '%s' (FORMAT parquet, FIELD_IDS {value: %d, vehicle: %d, read_at: %d, 'odd "name': 999})`, old, ids["value"], ids["vin"], ids["read_at"])); err != nil {
		t.Fatal(err)
	}
	f.add("readings", "select 'V2' as vin, 0.5 as value, 's' as unit_of_measure, timestamp '2026-01-02' as read_at", "cal_id")
	f.tables[0].Files = append(f.tables[0].Files, sql.File{Path: old})
	f.add("readings", "select 'V3' as vin, 1.5 as value, 's' as unit_of_measure, timestamp '2026-01-03' as read_at", "cal_id")
	want := "2026-01-01,V1,7,,\n2026-01-02,V2,0.5,s,\n2026-01-03,V3,1.5,s,\n"
	query := "select read_at::date, vin, value, unit_of_measure, cal_id from readings order by 1"
	for range 2 { // the second time from memory
		if got := rows(t, e, f, query); got != want {
			t.Errorf("got\n%s\nwant\n%s", got, want)
		}
	}
	if got := rows(t, e, f, "select vin from readings where vin = 'V1' and value > 6"); got != "V1\n" {
		t.Errorf("got %s", got)
	}
}

// A join must not be built on the readings: DuckDB has to know that there are more of them than units.
func TestLayouts_JoinsKnowTheSize(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.units([3]string{"bus-1", "VIN1", "d1"}, [3]string{"bus-2", "VIN2", "d2"})
	f.add("readings", "select 'VIN' || (i % 5) as vin, 'd' || (i % 5) as device from range(10000) t(i)")
	plan := rows(t, e, f, "explain select unit, count(*) from readings group by 1")
	if strings.Contains(plan, "RIGHT") || !strings.Contains(plan, "~10000 Rows") {
		t.Errorf("the plan does not know the size:\n%s", plan)
	}
}
