package ingest

import (
	"slices"
	"strconv"
	"strings"

	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// A how says what to ask on a bus for each thing a report may lack (SAE J1979, J1979-2, J1939-71 and -73,
// from memory).
type how struct {
	vin, calibration, cycle, counters, codes        string
	runTime, warmups, distance, fuel, ambient, cool string
}

var hows = map[bool]*how{
	false: {
		vin: "service 09, InfoType 02", calibration: "service 09, InfoType 04", cycle: "service 01, PID 41", counters: "service 09, InfoType 08 (diesel: 0B)",
		codes: "services 03, 07 and 0A", runTime: "PID 1F", warmups: "PID 30", distance: "PID 31", fuel: "PID 2F", ambient: "PID 46", cool: "PID 05",
	},
	true: {
		vin: "PGN 65260", calibration: "DM19 (PGN 54016)", cycle: "DM26 (PGN 64952)", counters: "DM20 (PGN 49664)",
		codes: "DM1, DM6, DM12 and DM28 (PGN 65226, 65231, 65236, 64896)", runTime: "DM26 (PGN 64952)", warmups: "DM26 (PGN 64952)",
		distance: "DM21 (PGN 49408)", fuel: "PGN 65276", ambient: "PGN 65269", cool: "PGN 65262",
	},
}

var howUDS = &how{
	vin: "22 F802", calibration: "22 F804", cycle: "22 F441", counters: "22 F808 (diesel: F80B)", codes: "service 19, report types 42 and 55",
	runTime: "22 F41F", warmups: "22 F430", distance: "22 F431", fuel: "22 F42F", ambient: "22 F446", cool: "22 F405",
}

func howOf(bus series.Bus) *how {
	if bus == series.UDS {
		return howUDS
	}
	return hows[bus == series.J1939]
}

// freshness tells what is missing to tell a new result from one that the control unit has held for days.
func (x *examiner) freshness() {
	var cycle, counters []string // control units that told it
	codes := false
	for i := range x.taken.read.Items {
		it := &x.taken.read.Items[i]
		switch it.Kind {
		case obd.KindReadiness:
			if it.Values.Get("period") == "this driving cycle" {
				cycle = append(cycle, node(it.ECU))
			}
		case obd.KindCounters:
			counters = append(counters, node(it.ECU))
		case obd.KindCodes:
			codes = true
		}
	}
	for _, ecu := range x.senders() {
		if !slices.Contains(cycle, node(ecu)) {
			x.find(TopicFreshness, "no status of this driving cycle (%s): two runs with the same number count as one, because nothing shows that the test ran again.", x.how.cycle).ECU = ecu
		}
		if !slices.Contains(counters, node(ecu)) {
			x.find(TopicFreshness, "no in-use counters (%s, where the vehicle has them): nothing shows how often a monitor ran since the last report.", x.how.counters).ECU = ecu
		}
	}
	if !codes && x.Tests > 0 {
		x.find(TopicFreshness, "no trouble codes (%s): a unit that has set its code already cannot be told from one that still drifts.", x.how.codes)
	}
}

// node is what the messages of one control unit have in common: on J1939 the last byte of a 29-bit id.
func node(ecu string) string {
	if len(ecu) == 8 && !strings.HasPrefix(ecu, "18da") && !strings.HasPrefix(ecu, "18db") {
		return ecu[6:]
	}
	return ecu
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
		{c.OdometerKm, "odometer", "field odometer_km" + x.odometer(), "services that are due by distance cannot be matched"},
	} {
		if f.value != f.value {
			x.find(TopicConditions, "no %s (%s): %s.", f.what, f.ask, f.why)
		}
	}
}

func (x *examiner) odometer() string {
	switch x.how {
	case howUDS:
		return " or 22 F4A6"
	case hows[false]:
		return " or PID A6"
	}
	return ""
}

// tests tells of each test that cannot be protected why, and counts those that can.
func (x *examiner) tests() {
	if x.Tests == 0 {
		x.find(TopicTest, "no test result: there is nothing to protect.")
	}
	for i := range x.taken.read.Items {
		it := &x.taken.read.Items[i]
		r := it.Result
		if it.Kind == obd.KindSupport {
			x.unsent(it)
		}
		if it.Kind != obd.KindResult {
			continue
		}
		words := ""
		switch {
		case r.State == series.StateNotRun:
			words = "cannot be protected yet: not run since codes were cleared or the battery was disconnected. This is no pass; it will be followed once its monitor has completed."
		case r.State == series.StateNoLimit:
			words = "cannot be protected: the vehicle sends no real limit. Stored and shown, never an alert."
		case r.State == series.StateConstant:
			words = "cannot be protected: value and limits are one number, a constant of the calibration and no measurement."
		case r.State == series.StateInvalid:
			words = "cannot be protected: " + obd.Explain(r)
		case r.Passed == series.False:
			words = "too late to protect: it fails now. Most monitors set the code when they fail in the next trip too."
		default:
			x.Followed++
			words = x.caveat(it)
		}
		if words != "" {
			x.test(it, words)
		}
	}
}

func (x *examiner) test(it *obd.Item, words string) {
	f := x.find(TopicTest, "%s", words)
	f.Message, f.ECU, f.Test, f.Name = x.taken.index[it.Message]+1, it.ECU, it.Result.Test, obd.Name(it.Result)
	if it.Name != "" {
		f.Name = it.Name
	}
}

// caveat is what weakens the protection of a test that is followed; "" for nothing.
func (x *examiner) caveat(it *obd.Item) string {
	var words []string
	r := it.Result
	switch {
	case it.Name == "" && r.CID != series.None:
		words = append(words, "followed in raw counts: this bus sends no unit and no meaning. An entry in the test catalogue can name it.")
	case it.Name == "" && !obd.Scaled(r) && r.UAS != series.None:
		words = append(words, "followed in raw counts: the unit id "+strings.ToUpper(strconv.FormatInt(int64(r.UAS), 16))+" is not known, and its offset is taken as 0.")
	case it.Name == "" && !obd.Scaled(r):
		words = append(words, "followed in raw counts: the SLOT "+strconv.Itoa(int(r.Slot))+" is not known.")
	}
	if r.Margin != r.Margin {
		words = append(words, "followed by its distance to the limit: no margin is defined, as its zero is no real zero.")
	}
	if r.TID == 0x0C && obd.Family(r) == "misfire" {
		words = append(words, "a live counter: only the last value of a trip counts, so poll at key-off.")
	}
	return strings.Join(words, " Also ")
}

// unsent tells of monitors that a control unit supports and of which the report has no result.
func (x *examiner) unsent(it *obd.Item) {
	ids, _ := it.Values.Get("supported").([]string)
	if it.Values.Get("of") != "monitor ids" {
		return
	}
	for _, id := range ids {
		n, err := strconv.ParseUint(id, 16, 8)
		if err != nil || n&0x1F == 0 { // another support id
			continue
		}
		sent := slices.ContainsFunc(x.taken.poll.Results, func(r series.Result) bool { return r.ECU == it.ECU && r.MID == int32(n) })
		if !sent {
			f := x.find(TopicTest, "the control unit supports this monitor, and the report has no result of it.")
			f.Message, f.ECU, f.Test, f.Name = x.taken.index[it.Message]+1, it.ECU, "m"+strings.ToLower(id), monitorOf(int32(n))
		}
	}
}

func monitorOf(mid int32) string {
	r := series.NewResult()
	r.MID, r.TID = mid, 0x80
	name, _, _ := strings.Cut(obd.Name(&r), ", test ")
	return name
}
