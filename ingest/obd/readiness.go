package obd

import "marginline/ingest/series"

// Groups of monitors that share one completion bit. EGR and variable valve timing share one.
const (
	groupMisfire = iota
	groupFuel
	groupComponents
	groupCatalyst
	groupHeatedCatalyst
	groupEvap
	groupSecondaryAir
	groupAirConditioning
	groupOxygen // oxygen and other exhaust gas sensors
	groupHeater
	groupEGR
	groupNOx
	groupBoost
	groupFilter
	groupCount
	groupNone = -1
)

var groupNames = [groupCount]string{
	"misfire", "fuel_system", "components", "catalyst", "heated_catalyst", "evap", "secondary_air",
	"air_conditioning", "exhaust_gas_sensor", "o2_heater", "egr_vvt", "nox", "boost", "pm_filter",
}

// Groups of the bits of bytes C and D of PID 01 and 41 (SAE J1979-DA, from memory). Bit 4 of spark engines
// was the air conditioning's and is the particulate filter's in later revisions; only the filter has
// test results.
var (
	sparkGroups       = [8]int{groupCatalyst, groupHeatedCatalyst, groupEvap, groupSecondaryAir, groupFilter, groupOxygen, groupHeater, groupEGR}
	compressionGroups = [8]int{groupCatalyst, groupNOx, groupNone, groupBoost, groupNone, groupOxygen, groupFilter, groupEGR}
)

// Groups of the bits of DM5 and DM26, first byte first (SAE J1939-73, from memory): bit 8 is the cold
// start aid, bit 12 the catalyst of hydrocarbons.
var truckGroups = [13]int{
	groupCatalyst, groupHeatedCatalyst, groupEvap, groupSecondaryAir, groupAirConditioning, groupOxygen, groupHeater, groupEGR,
	groupNone, groupBoost, groupFilter, groupNOx, groupCatalyst,
}

// A status is one group's line in a readiness answer.
type status struct {
	group    int
	complete bool
}

// continuous reads the low half (supported or enabled) and the high half (incomplete) of one byte.
func continuous(b byte) []status {
	var all []status
	for i := range 3 {
		if b>>i&1 != 0 {
			all = append(all, status{groupMisfire + i, b>>(4+i)&1 == 0})
		}
	}
	return all
}

// carReadiness reads bytes A to D of PID 01 (since clear) or 41 (this driving cycle).
func (d *decoder) carReadiness(pid byte, b []byte) {
	compression := b[1]&0x08 != 0
	groups, ignition := &sparkGroups, "spark"
	if compression {
		groups, ignition = &compressionGroups, "compression"
	}
	all := continuous(b[1])
	for i, g := range groups {
		if g != groupNone && b[2]>>i&1 != 0 {
			all = append(all, status{g, b[3]>>i&1 == 0})
		}
	}
	v := Fields{{"pid", hexByte(pid)}, {"period", "since clear"}, {"ignition", ignition}}
	if pid == 0x01 {
		v = append(v, Field{"lamp", b[0]&0x80 != 0}, Field{"code_count", int(b[0] & 0x7F)})
	} else {
		v[1].Value = "this driving cycle"
		d.completed(all)
	}
	d.item(KindReadiness, append(v, Field{"monitors", statusFields(all)}))
}

// completed keeps which groups have run in this driving cycle. A group that two bits stand for is done
// when both are.
func (d *decoder) completed(all []status) {
	done := &d.nodes[d.node].done
	seen := [groupCount]bool{}
	for _, s := range all {
		if seen[s.group] && done[s.group] == series.False {
			continue
		}
		seen[s.group] = true
		done[s.group] = series.TriOf(s.complete)
	}
}

func statusFields(all []status) Fields {
	v := make(Fields, 0, len(all))
	for _, s := range all {
		word := "incomplete"
		if s.complete {
			word = "complete"
		}
		if old := v.Get(groupNames[s.group]); old != nil { // two bits, one group
			if old == "complete" && !s.complete {
				for i := range v {
					if v[i].Name == groupNames[s.group] {
						v[i].Value = word
					}
				}
			}
			continue
		}
		v = append(v, Field{groupNames[s.group], word})
	}
	return v
}

// truckReadiness reads the five status bytes that DM5 and DM26 end with: continuous, two of support, two of
// status; 0 is complete.
func truckReadiness(b []byte) []status {
	all := continuous(b[0])
	support, open := uint16(b[1])|uint16(b[2])<<8, uint16(b[3])|uint16(b[4])<<8
	for i, g := range truckGroups {
		if g != groupNone && support>>i&1 != 0 {
			all = append(all, status{g, open>>i&1 == 0})
		}
	}
	return all
}
