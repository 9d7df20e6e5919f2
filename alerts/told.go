package alerts

import (
	"marginline/alerts/shop"
	"marginline/analyze"
)

// Told is what the detector has to know of a unit's past: what people told, and what was done on its own work
// orders. A repair counts for the families that somebody named: of an order those of its alerts, and only where the
// cause was found. The result is in the order of analyze.SortHappenings.
func Told(facts []shop.Fact, orders []WorkOrder) []analyze.Happening {
	var out []analyze.Happening
	for i := range facts {
		f := &facts[i]
		h := analyze.Happening{At: f.At}
		switch {
		case f.Kind == shop.Repair && f.Family != "":
			h.Kind, h.Family = analyze.Repaired, f.Family
		case f.Kind == shop.Clear:
			h.Kind = analyze.Cleared
		case f.Kind == shop.Reflash:
			h.Kind, h.ECU = analyze.Programmed, f.ECU
		case f.Kind == shop.Dongle:
			h.Kind, h.Device = analyze.Redongled, f.Device
		default:
			continue
		}
		out = append(out, h)
	}
	for i := range orders {
		for j := range orders[i].Outcomes {
			x := &orders[i].Outcomes[j]
			if x.Found == FoundCause {
				for _, family := range orders[i].AskedAlong {
					out = append(out, analyze.Happening{At: x.At, Kind: analyze.Repaired, Family: family})
				}
			}
			if yes(x.CodesCleared) {
				out = append(out, analyze.Happening{At: x.At, Kind: analyze.Cleared})
			}
			if yes(x.Reprogrammed) {
				out = append(out, analyze.Happening{At: x.At, Kind: analyze.Programmed})
			}
		}
	}
	analyze.SortHappenings(out)
	return out
}
