package fleetsim

import "math"

// When a test can run in a trip.
type when int

const (
	eachTrip when = iota
	coldStart
	leakTest // cold start, tank 15 to 85 % full, 4 to 35 Cel: common practice, and 13 CCR 1968.2 (from memory)
	warm
	cruise
	hotCruise
)

// What shapes a test's value besides wear.
type shape int

const (
	plain     shape = iota
	leakSmall       // evaporative leak of 0.020 in, by pressure decay
	leakLarge       // the same leak against the limit of 0.040 in
	leakPump        // by the stroke period of a pump
	oilAge          // rises with the age of the oil, falls with each oil service
	deposit         // collects deposits that burn off again
	soot            // saw-tooth of the particulate filter
)

// A test is one row of an engine family's catalogue: an on-board test, how it is coded, its usual level
// and limits, and how it behaves. Levels, limits and noise are invented; the noise, as a share of the
// healthy distance to the limit, follows the sizes we design for.
type test struct {
	rate     string // row of the table of base rates
	family   string // family of the monitor
	id       ident
	healthy  float64
	min, max float64 // no: none
	noise    float64
	phi      float64 // correlation of successive results
	when     when
	chance   float64 // of running when it can
	shape    shape
	low, hi  string // code that failing at the minimum, at the maximum sets
}

// An ident is how a bus names and scales a test.
type ident struct {
	mid, tid byte // CAN: monitor and test id; older buses: test id and component id
	uas      byte
	spn      int32
	fmi      byte
	slot     uint16
	source   string // J1939: source address, when not the engine's
}

var no = math.NaN()

// scaling of a unit-and-scaling id (SAE J1979 / ISO 15031-5 Annex E, from memory) or SLOT (J1939-71, from memory).
type scaling struct {
	step, offset float64
	signed       bool
}

var units = map[byte]scaling{
	0x10: {1, 0, false},          // ms
	0x0E: {0.001, 0, false},      // A
	0x17: {0.01, 0, false},       // kPa
	0x1C: {0.01, 0, false},       // deg
	0x20: {0.00390625, 0, false}, // ratio
	0x24: {1, 0, false},          // counts
	0x27: {0.01, 0, false},       // g/s
	0x29: {0.25, 0, false},       // Pa/s
	0x2F: {0.01, 0, false},       // %
	0x96: {0.1, 0, true},         // Cel
	0xAF: {0.01, 0, true},        // %
	0xFE: {0.25, 0, true},        // Pa
}

var slots = map[uint16]scaling{
	68:  {0.03125, -273, false}, // Cel
	205: {0.1, 0, false},        // %
	251: {0.1, -100, false},     // %
}

// protocol is how a family talks.
type protocol int

const (
	onCAN protocol = iota
	onOlder
	onTruck
)

// A family is an invented engine family.
type family struct {
	name      string
	protocol  protocol
	bus       string // for onOlder drawn per vehicle
	from      string // responder
	fuel      string
	class     string
	diesel    bool
	cylinders int
	misfires  misfireStyle
	odometer  bool // PID A6
	tests     []test
}

// misfireStyle is how a family reports misfires.
type misfireStyle int

const (
	noMisfires     misfireStyle = iota
	countsOnly                  // counts without a limit
	averageLimited              // the average of ten trips has a limit
)

const misfireLimit = 40 // counts a trip

func can(mid, tid, uas byte) ident                  { return ident{mid: mid, tid: tid, uas: uas} }
func older(tid, component byte) ident               { return ident{mid: tid, tid: component} }
func engine(spn int32, fmi byte, slot uint16) ident { return ident{spn: spn, fmi: fmi, slot: slot} }
func exhaust(spn int32, fmi byte, slot uint16) ident {
	return ident{spn: spn, fmi: fmi, slot: slot, source: "3d"}
}

var families = []family{
	{name: "KR-20", protocol: onCAN, bus: "can", from: "7E8", fuel: "petrol", class: "light", cylinders: 4, misfires: countsOnly, odometer: true, tests: []test{
		{"response", "o2_sensor", can(0x01, 0x05, 0x10), 42, no, 108, .06, .2, warm, .85, plain, "", "P0133"},
		{"response", "o2_sensor", can(0x02, 0x86, 0x10), 180, no, 440, .06, .2, cruise, .8, plain, "", "P0139"},
		{"catalyst", "catalyst", can(0x21, 0x8A, 0x20), 1.32, .52, no, .05, .3, cruise, .75, plain, "P0420", ""},
		{"egr", "egr", can(0x31, 0x84, 0xAF), -2, -30, 30, .07, .2, warm, .6, plain, "P0401", "P0402"},
		{"vvt", "vvt", can(0x35, 0x82, 0x1C), 1.5, no, 6, .06, .2, warm, .8, oilAge, "", "P0011"},
		{"leak", "evap", can(0x3B, 0x91, 0x29), 0, no, 46, .05, .2, leakTest, .8, leakLarge, "", "P0442"},
		{"leak", "evap", can(0x3C, 0x92, 0x29), 0, no, 12, .09, .2, leakTest, .72, leakSmall, "", "P0456"},
		{"purge", "evap", can(0x3D, 0x93, 0xFE), 940, 310, no, .08, .2, warm, .5, plain, "P0441", ""},
		{"heater", "o2_heater", can(0x41, 0x8F, 0x0E), 1.12, .45, 2.1, .03, .2, coldStart, .95, plain, "P0135", "P0135"},
		{"heater", "o2_heater", can(0x42, 0x8F, 0x0E), .96, .4, 1.9, .03, .2, coldStart, .95, plain, "P0141", "P0141"},
		{"air", "secondary_air", can(0x71, 0x89, 0x27), 14.2, 5.6, no, .06, .2, coldStart, .85, plain, "P0411", ""},
		{"fuel", "fuel_system", can(0x81, 0x98, 0xAF), 1.5, -25, 25, .07, .5, warm, .9, plain, "P0172", "P0171"},
	}},
	{name: "KR-35", protocol: onCAN, bus: "can", from: "7E8", fuel: "petrol", class: "light", cylinders: 6, misfires: averageLimited, tests: []test{
		{"response", "o2_sensor", can(0x01, 0x85, 0x10), 55, no, 140, .06, .2, warm, .85, plain, "", "P0133"},
		{"response", "o2_sensor", can(0x05, 0x85, 0x10), 57, no, 140, .06, .2, warm, .85, plain, "", "P0153"},
		{"catalyst", "catalyst", can(0x21, 0x81, 0x20), .17, no, .62, .05, .3, cruise, .7, plain, "", "P0420"},
		{"catalyst", "catalyst", can(0x22, 0x81, 0x20), .18, no, .62, .05, .3, cruise, .7, plain, "", "P0430"},
		{"vvt", "vvt", can(0x35, 0x80, 0x10), 320, no, 900, .06, .2, warm, .8, oilAge, "", "P0011"},
		{"vvt", "vvt", can(0x36, 0x80, 0x10), 335, no, 900, .06, .2, warm, .8, oilAge, "", "P0021"},
		{"leak", "evap", can(0x3C, 0xB1, 0x10), 2700, 850, no, .08, .2, leakTest, .75, leakPump, "P0456", ""},
		{"purge", "evap", can(0x3D, 0xB3, 0x10), 620, no, 1700, .08, .2, warm, .5, plain, "", "P0441"},
		{"heater", "o2_heater", can(0x41, 0x81, 0x0E), 1.3, .5, 2.4, .03, .2, coldStart, .95, plain, "P0135", "P0135"},
		{"heater", "o2_heater", can(0x45, 0x81, 0x0E), 1.28, .5, 2.4, .03, .2, coldStart, .95, plain, "P0155", "P0155"},
		{"fuel", "fuel_system", can(0x81, 0x90, 0xAF), .5, -22, 22, .07, .5, warm, .9, plain, "P0172", "P0171"},
		{"fuel", "fuel_system", can(0x82, 0x90, 0xAF), .8, -22, 22, .07, .5, warm, .9, plain, "P0175", "P0174"},
	}},
	{name: "KR-11", protocol: onOlder, from: "10", fuel: "petrol", class: "light", cylinders: 4, tests: []test{
		{"catalyst", "catalyst", older(0x05, 0x01), 6400, no, 21000, .05, .3, cruise, .7, plain, "", "P0420"},
		{"response", "o2_sensor", older(0x11, 0x01), 88, no, 230, .06, .2, warm, .85, plain, "", "P0133"},
		{"egr", "egr", older(0x21, 0x04), 128, 56, 206, .07, .2, warm, .6, plain, "P0401", "P0402"},
		{"air", "secondary_air", older(0x31, 0x01), 940, 380, no, .06, .2, coldStart, .85, plain, "P0411", ""},
		{"heater", "o2_heater", older(0x41, 0x01), 310, no, 820, .03, .2, coldStart, .95, plain, "", "P0135"},
		{"fuel", "fuel_system", older(0x51, 0x02), 131, 96, 164, .07, .5, warm, .9, plain, "P0172", "P0171"},
		{"leak", "evap", older(0x61, 0x00), 166, 13, no, .08, .2, leakTest, .75, leakPump, "P0456", ""},
		{"purge", "evap", older(0x61, 0x02), 74, 22, no, .08, .2, warm, .5, plain, "P0441", ""},
	}},
	{name: "MD-48", protocol: onCAN, bus: "can", from: "18DAF110", fuel: "diesel", class: "medium", diesel: true, cylinders: 4, misfires: averageLimited, odometer: true, tests: []test{
		{"catalyst", "catalyst", can(0x21, 0x8C, 0x96), 64, 22, no, .06, .3, hotCruise, .7, plain, "P0420", ""},
		{"egr", "egr", can(0x31, 0x85, 0xAF), -1, -28, 28, .07, .2, warm, .8, plain, "P0401", "P0402"},
		{"boost", "boost", can(0x85, 0x88, 0xAF), .5, -22, 22, .06, .2, cruise, .8, plain, "P0299", "P0234"},
		{"fuel", "fuel_system", can(0x81, 0x97, 0xAF), 0, -16, 16, .06, .3, warm, .8, plain, "P0171", "P0172"},
		{"scr", "nox_catalyst_scr", can(0x98, 0x90, 0x2F), 93, 58, no, .08, .5, hotCruise, .75, deposit, "P20EE", ""},
		{"scr", "nox_catalyst_scr", can(0x98, 0x91, 0xAF), 0, -18, 18, .07, .3, warm, .7, plain, "P204F", "P204F"},
		{"filter", "pm_filter", can(0xB2, 0xCA, 0x17), 3.6, .6, 19, .08, .3, cruise, .75, soot, "P2002", "P2463"},
		{"heater", "o2_heater", can(0x41, 0x83, 0x0E), 1.6, .6, 2.8, .03, .2, coldStart, .95, plain, "P0135", "P0135"},
	}},
	{name: "HD-130", protocol: onTruck, bus: "j1939", from: "00", fuel: "diesel", class: "heavy", diesel: true, cylinders: 6, tests: []test{
		{"catalyst", "catalyst", exhaust(5322, 18, 205), 91, 52, no, .06, .3, hotCruise, .7, plain, "x", ""},
		{"egr", "egr", engine(2659, 18, 251), -1, -30, no, .07, .2, warm, .8, plain, "x", ""},
		{"egr", "egr", engine(411, 15, 68), 96, no, 168, .06, .2, hotCruise, .7, plain, "", "x"},
		{"boost", "boost", engine(102, 18, 251), .5, -22, 22, .06, .2, cruise, .8, plain, "x", "x"},
		{"fuel", "fuel_system", engine(157, 18, 251), 0, -15, 15, .06, .3, warm, .8, plain, "x", "x"},
		{"misfire", "fuel_system", engine(651, 7, 251), 0, -20, 20, .06, .3, warm, .8, plain, "x", "x"},
		{"misfire", "fuel_system", engine(652, 7, 251), 1, -20, 20, .06, .3, warm, .8, plain, "x", "x"},
		{"misfire", "fuel_system", engine(653, 7, 251), -1, -20, 20, .06, .3, warm, .8, plain, "x", "x"},
		{"scr", "nox_catalyst_scr", exhaust(4364, 18, 205), 94, 60, no, .08, .5, hotCruise, .75, deposit, "x", ""},
		{"scr", "nox_catalyst_scr", exhaust(4334, 18, 205), 100, 78, 122, .07, .3, warm, .7, plain, "x", "x"},
		{"scr", "nox_catalyst_scr", exhaust(3226, 10, 251), 0, -24, 24, .07, .3, hotCruise, .7, plain, "x", "x"},
		{"filter", "pm_filter", exhaust(3251, 16, 205), 21, 4, 96, .08, .3, cruise, .75, soot, "x", "x"},
	}},
}

func familyNamed(name string) *family {
	for i := range families {
		if families[i].name == name {
			return &families[i]
		}
	}
	return nil
}
