package ingest

import (
	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// A how says what to ask on a bus for each thing a report may lack (SAE J1979, J1979-2, J1939-71 and -73,
// from memory).
type how struct {
	vin, calibration, cycle, counters, confirmed, pending, support   string
	runTime, warmups, distance, fuel, ambient, cool, odometer, hours string
}

var (
	howCar = &how{
		vin: "service 09, InfoType 02", calibration: "service 09, InfoType 04", cycle: "service 01, PID 41",
		counters: "service 09, InfoType 08 (diesel: 0B)", confirmed: "service 03", pending: "service 07", support: "service 06, ids 00, 20 ... A0",
		runTime: "PID 1F", warmups: "PID 30", distance: "PID 31", fuel: "PID 2F", ambient: "PID 46", cool: "PID 05",
		odometer: "field odometer_km or PID A6",
	}
	howUDS = &how{
		vin: "22 F802", calibration: "22 F804", cycle: "22 F441",
		counters: "22 F808 (diesel: F80B)", confirmed: "service 19, report type 42", pending: "service 19, report type 42", support: "22 F600, F620 ... F6A0",
		runTime: "22 F41F", warmups: "22 F430", distance: "22 F431", fuel: "22 F42F", ambient: "22 F446", cool: "22 F405",
		odometer: "field odometer_km or 22 F4A6",
	}
	howTruck = &how{
		vin: "PGN 65260", calibration: "DM19 (PGN 54016)", cycle: "DM26 (PGN 64952)",
		counters: "DM20 (PGN 49664)", confirmed: "DM12 (PGN 65236)", pending: "DM6 (PGN 65231)", support: "DM24 (PGN 64950)",
		runTime: "DM26 (PGN 64952)", warmups: "DM26 (PGN 64952)", distance: "DM21 (PGN 49408)", fuel: "PGN 65276", ambient: "PGN 65269", cool: "PGN 65262",
		odometer: "field odometer_km", hours: "field engine_hours",
	}
)

func howOf(bus series.Bus) *how {
	switch bus {
	case series.UDS:
		return howUDS
	case series.J1939:
		return howTruck
	}
	return howCar
}

// freshness tells what is missing to tell a new result from one that the control unit has held for days.
func (x *examiner) freshness() {
	cycle, counters := map[string]bool{}, map[string]bool{} // control units that told it
	confirmed, pending := false, false
	for i := range x.taken.read.Items {
		it := &x.taken.read.Items[i]
		switch it.Kind {
		case obd.KindReadiness:
			if it.Values.Get("period") == "this driving cycle" {
				cycle[x.nodeOf(it)] = true
			}
		case obd.KindCounters:
			counters[x.nodeOf(it)] = true
		case obd.KindCodes:
			c, p := x.asked(it)
			confirmed, pending = confirmed || c, pending || p
		}
	}
	for _, s := range x.senders {
		if !cycle[s.node] {
			x.find(TopicFreshness, "no status of this driving cycle (%s): two runs with the same number count as one, because nothing shows that the test ran again.", s.how.cycle).ECU = s.ecu
		}
		if !counters[s.node] {
			x.find(TopicFreshness, "no in-use counters (%s, where the vehicle has them): nothing shows how often a monitor ran since the last report.", s.how.counters).ECU = s.ecu
		}
	}
	if x.Tests == 0 {
		return
	}
	if !confirmed {
		x.find(TopicFreshness, "no confirmed trouble codes (%s): a unit that has set its code already cannot be told from one that still drifts.", x.how.confirmed)
	}
	if !pending {
		x.find(TopicFreshness, "no pending trouble codes (%s): a test that has failed once, and may have passed since, goes unseen.", x.how.pending)
	}
}

// asked says whether a list of codes answers the question for confirmed codes and the one for pending codes. An empty
// list does too, so its message tells and not its content.
func (x *examiner) asked(it *obd.Item) (confirmed, pending bool) {
	if kind := it.Values.Get("codes_kind"); kind != nil { // J1939
		return kind == series.CodeConfirmed.String() || kind == series.CodeActive.String(), kind == series.CodePending.String()
	}
	switch data := x.report.Messages[x.taken.index[it.Message]].Data; data[0] {
	case 0x43:
		return true, false
	case 0x47:
		return false, true
	case 0x59:
		both := data[1] == 0x02 || data[1] == 0x0A || data[1] == 0x42 // by status; 15 and 55 list permanent codes
		return both, both
	}
	return false, false
}

// conditions tells which conditions were not read.
func (x *examiner) conditions() {
	if x.Tests == 0 {
		return
	}
	c := &x.taken.poll.Context
	for _, f := range []struct {
		value          float64
		what, ask, why string
	}{
		{c.RunTimeS, "run time since start", x.how.runTime, "a poll in the middle of a trip looks like one at its end"},
		{c.WarmupsSinceClear, "warm-ups since clear", x.how.warmups, "cleared codes reset results, and that would look like a repair"},
		{c.DistanceSinceClearKm, "distance since clear", x.how.distance, "cleared codes reset results, and that would look like a repair"},
		{c.FuelLevelPct, "fuel level", x.how.fuel, "a nearly full or empty tank cannot be ruled out as the cause of a leak result"},
		{c.AmbientC, "ambient temperature", x.how.ambient, "cold or heat cannot be ruled out as the cause of a change"},
		{c.CoolantC, "coolant temperature", x.how.cool, "a cold engine cannot be ruled out as the cause of a change"},
		{c.OdometerKm, "odometer", x.how.odometer, "services that are due by distance cannot be matched"},
		{c.EngineHours, "engine hours", x.how.hours, "services that are due by hours cannot be matched"},
	} {
		if f.value != f.value && f.ask != "" {
			x.find(TopicConditions, "no %s (%s): %s.", f.what, f.ask, f.why)
		}
	}
}
