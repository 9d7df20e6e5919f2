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

// A readiness says of each group whether it is complete; Unknown where it is not supported or not enabled.
type readiness [groupCount]series.Tri

// set takes one bit's word. A group that two bits stand for is complete when both are.
func (r *readiness) set(group int, complete bool) {
	if group != groupNone && r[group] != series.False {
		r[group] = series.TriOf(complete)
	}
}

// noReadiness knows nothing yet but the three continuous groups: the low half of their byte says what is
// supported or enabled, the high half what is incomplete.
func noReadiness(b byte) (r readiness) {
	for i := range r {
		r[i] = series.Unknown
	}
	for i := range 3 {
		if b>>i&1 != 0 {
			r.set(groupMisfire+i, b>>(4+i)&1 == 0)
		}
	}
	return r
}

// unready knows nothing; it is copied, never written.
var unready = noReadiness(0)

// carReadiness reads bytes A to D of PID 01 (since clear) or 41 (this driving cycle).
func (d *decoder) carReadiness(pid byte, b []byte) {
	groups, ignition := &sparkGroups, "spark"
	if b[1]&0x08 != 0 {
		groups, ignition = &compressionGroups, "compression"
	}
	r := noReadiness(b[1])
	for i, g := range groups {
		if b[2]>>i&1 != 0 {
			r.set(g, b[3]>>i&1 == 0)
		}
	}
	if d.terse {
		if pid != 0x01 {
			d.completed(&r)
		}
		d.item(KindReadiness, nil)
		return
	}
	v := Fields{{"pid", hexByte(pid)}, {"period", "since clear"}, {"ignition", ignition}}
	if pid == 0x01 {
		v = append(v, Field{"lamp", b[0]&0x80 != 0}, Field{"code_count", int(b[0] & 0x7F)})
	} else {
		v[1].Value = "this driving cycle"
		d.completed(&r)
	}
	d.item(KindReadiness, append(v, Field{"monitors", r.fields()}))
}

// truckReadiness reads the five status bytes that DM5 and DM26 end with: continuous, two of support, two of
// status; 0 is complete.
func truckReadiness(b []byte) readiness {
	r := noReadiness(b[0])
	support, open := uint16(b[1])|uint16(b[2])<<8, uint16(b[3])|uint16(b[4])<<8
	for i, g := range truckGroups {
		if support>>i&1 != 0 {
			r.set(g, open>>i&1 == 0)
		}
	}
	return r
}

// completed keeps which groups have run in this driving cycle. Of two answers the later one stands.
func (d *decoder) completed(r *readiness) {
	d.nodes[d.node].told = true
	done := &d.nodes[d.node].done
	for g, tri := range r {
		if tri != series.Unknown {
			done[g] = tri
		}
	}
}

func (r *readiness) fields() Fields {
	v := Fields{}
	for g, tri := range r {
		switch tri {
		case series.True:
			v = append(v, Field{groupNames[g], "complete"})
		case series.False:
			v = append(v, Field{groupNames[g], "incomplete"})
		}
	}
	return v
}
