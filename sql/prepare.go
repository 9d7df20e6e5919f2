package sql

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
)

// makeViews makes the mentioned views on a connection, over a pinned snapshot.
func (w *worker) makeViews(ctx context.Context, conn *sql.Conn, snap Snapshot, n needs) ([]Pinned, error) {
	var pinned []Pinned
	tables := snap.Tables()
	lake := slices.ContainsFunc(lakeViews, func(name string) bool { return n.views[name] })
	resolve := lake && (n.unit || len(n.only) > 0)
	for _, v := range dictionary() {
		if !n.views[v.Name] && v.Name == "units" {
			v.Columns = v.Columns[:3] // unit, vin and device are enough to resolve by
		}
		if !v.storedIn(tables) && (n.views[v.Name] || v.Name == "units" && resolve) {
			rows, err := snap.Small(ctx, v.Name)
			if err != nil {
				return nil, fmt.Errorf("sql: table %s: %w", v.Name, err)
			}
			if units, ok := n.resolvable(); ok && v.Name == "units" && !n.views["units"] {
				rows = rosterOf(rows, units)
			}
			if err := v.load(ctx, conn, rows); err != nil {
				return nil, err
			}
		}
	}
	vinOnly := false // every unit with a device has a VIN listed
	if resolve {
		if _, err := conn.ExecContext(ctx, roster); err != nil {
			return nil, fmt.Errorf("sql: roster: %w", err)
		}
		if err := conn.QueryRowContext(ctx, "SELECT count(*) = 0 FROM roster_device WHERE vin IS NULL").Scan(&vinOnly); err != nil {
			return nil, fmt.Errorf("sql: roster: %w", err)
		}
	}
	for _, v := range dictionary() {
		if !n.views[v.Name] {
			continue
		}
		f := fill{Rows: "small_" + v.Name}
		if v.storedIn(tables) {
			f = noRosterFill
			switch {
			case v.Name == "drift":
			case resolve:
				f = rosterFill
			}
			t := Table{Name: v.Name}
			if i := slices.IndexFunc(tables, func(t Table) bool { return t.Name == v.Name }); i >= 0 {
				t = tables[i]
			}
			if t.SnapshotID != 0 { // else it never had a row
				pinned = append(pinned, Pinned{t.Name, t.SnapshotID, t.CommittedAt})
			}
			var m *match
			if units, ok := n.only[v.Name]; ok {
				var err error
				if m, err = matching(ctx, conn, units); err != nil {
					return nil, fmt.Errorf("sql: roster: %w", err)
				}
			}
			files := m.files(prune(ctx, conn, t.Files, n.spans[v.Name]))
			if v.lake && resolve && vinOnly && !slices.ContainsFunc(files, func(f File) bool { return !f.VINs }) {
				f = vinFill
			}
			layouts, err := w.layouts.of(ctx, conn, files)
			if err != nil {
				return nil, fmt.Errorf("sql: files of %s: %w", t.Name, err)
			}
			if f.Rows, err = v.rows(t, layouts, m); err != nil {
				return nil, err
			}
			if v.Name == "drift" {
				f.Roster = newestFold(f.Rows)
			}
		}
		text, err := v.create(f)
		if err != nil {
			return nil, err
		}
		if _, err := conn.ExecContext(ctx, text); err != nil {
			return nil, fmt.Errorf("sql: view %s: %w", v.Name, err)
		}
	}
	return pinned, nil
}

// storedIn says whether a view is read from files. Drift is, where the pinned state has it.
func (v View) storedIn(tables []Table) bool {
	return v.lake || v.Name == "drift" && slices.ContainsFunc(tables, func(t Table) bool { return t.Name == v.Name })
}

// newestFold leaves of the rows of drift those of each unit's newest fold. An end mark, which has no report, says
// that there are none.
func newestFold(rows string) string {
	return "JOIN (SELECT unit, max(fold) AS fold FROM " + rows + " GROUP BY unit) newest ON r.unit = newest.unit AND r.fold = newest.fold\nWHERE r.report_id IS NOT NULL"
}

// roster makes the two look-up tables from small_units: one unit a VIN, one a device.
const roster = `
CREATE TEMP TABLE roster_vin AS
	SELECT vin, min(unit) AS unit FROM small_units WHERE vin <> '' GROUP BY vin;
CREATE TEMP TABLE roster_device AS
	SELECT device, min(unit) AS unit, arg_min_null(nullif(vin, ''), unit) AS vin
	FROM small_units WHERE device <> '' GROUP BY device;`

// matching finds the VINs and devices by which readings of some units can be found.
func matching(ctx context.Context, conn *sql.Conn, units []string) (*match, error) {
	m := &match{}
	for _, q := range []struct {
		text string
		into *[]string
	}{
		{"SELECT vin FROM roster_vin WHERE unit IN (" + quotes(units) + ") ORDER BY 1", &m.vins},
		{"SELECT device FROM roster_device WHERE unit IN (" + quotes(units) + ") AND vin IS NOT NULL ORDER BY 1", &m.alone},
		{"SELECT device FROM roster_device WHERE unit IN (" + quotes(units) + ") AND vin IS NULL ORDER BY 1", &m.open},
	} {
		rows, err := conn.QueryContext(ctx, q.text)
		if err != nil {
			return nil, err
		}
		for rows.Next() {
			var s string
			if err := rows.Scan(&s); err != nil {
				rows.Close()
				return nil, err
			}
			*q.into = append(*q.into, s)
		}
		if err := rows.Close(); err != nil {
			return nil, err
		}
	}
	return m, nil
}
