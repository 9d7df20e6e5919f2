package sql

import "slices"

// A roster may have tens of thousands of units, and a query that asks for one needs little of it.

// rosterOf cuts the rows of units down to what the readings of some units can be resolved by: the rows that share
// a VIN or a device with one of them. Where one of them has no VIN listed all rows stay: its readings may carry any
// VIN that is not on the roster. Columns are unit, vin and device.
func rosterOf(in Rows, units []string) Rows {
	if in.Rows == nil {
		return in
	}
	unit, vin, device := slices.Index(in.Columns, "unit"), slices.Index(in.Columns, "vin"), slices.Index(in.Columns, "device")
	if unit < 0 {
		return in
	}
	asked := map[any]bool{}
	for _, u := range units {
		asked[u] = true
	}
	at := func(row []any, i int) any {
		if i < 0 || i >= len(row) || row[i] == "" {
			return nil
		}
		return row[i]
	}
	var all [][]any
	vins, devices := map[any]bool{}, map[any]bool{}
	whole := false
	for row := range in.Rows {
		r := []any{at(row, unit), at(row, vin), at(row, device)}
		all = append(all, r)
		if asked[r[0]] {
			whole = whole || r[1] == nil
			vins[r[1]], devices[r[2]] = true, true
		}
	}
	delete(vins, nil)
	delete(devices, nil)
	out := Rows{Columns: []string{"unit", "vin", "device"}, Err: in.Err}
	out.Rows = func(yield func([]any) bool) {
		for _, r := range all {
			if (whole || vins[r[1]] || devices[r[2]]) && !yield(r) {
				return
			}
		}
	}
	return out
}

// resolvable are the units that all mentioned lake views are narrowed to; false where one is not.
func (n needs) resolvable() (units []string, ok bool) {
	for _, name := range lakeViews {
		if !n.views[name] {
			continue
		}
		only, narrowed := n.only[name]
		if !narrowed {
			return nil, false
		}
		units = append(units, only...)
	}
	return units, len(units) > 0
}
