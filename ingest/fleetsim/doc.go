// Package fleetsim invents fleets whose truth is known: for the demo, for tests, and to measure the
// detector. The real world never tells what would have happened; here it does.
//
// It stands at the very beginning of the pipeline, in the place of dongles. It writes reports in the form
// that package report reads and encodes the messages that package obd decodes, by tables of its own: what
// one of the two gets wrong about a layout, the other shows.
//
// # How a vehicle is made
//
// Layers, each a file:
//
//	weather   seasons, days that resemble the day before, rain, by depot
//	duty      trips of a working day, distance, fuel and the habit of filling up
//	monitor   each test runs only when its conditions hold; healthy level, harmless movement
//	          (noise with heavy tails, season, new parts, small steps, oil age, soot, fuel vapour), wear
//	leak      the evaporative tests are physics: an orifice in a tank of known vapour space
//	code      two-trip logic: pending, confirmed, permanent, lamp, 40 warm-ups
//	vehicle   the control unit holds a result until the test runs again; shop visits; the dongle's polls
//	encode*   ISO 15765-4, the buses before it, SAE J1939
//	stream    delivery: late, twice, after an outage in any order
//
// One seed and one end give the same bytes. Every use of chance of every vehicle has a stream of its own
// (PCG, seeded by seed, unit and use), so a fault more in one vehicle changes nothing in another. Nothing
// reads a clock; constructors start nothing and no goroutine is started at all. A Fleet plays its history
// anew whenever reports are read, a day at a time, so that a large fleet needs little memory.
//
// Rejected: to disturb recorded data. There is none that may be published, and its truth is unknown.
//
// # What is true
//
// Truth lists every fault. A vehicle that is not in it stays healthy: what moves it harmlessly is held
// below its limits. A fault has an onset and a course (slow, fast, step, intermittent, or healing by itself); LimitAt is when the
// wear itself is at the limit, Crosses when a result was, CodeAt when the code was confirmed. Because a
// result is noisy, a code often comes some days before LimitAt.
//
// Levels, limits, noise and rates are invented. No public source gives rates by monitor for a working
// fleet. Families, units, VINs, depots and names are invented too; the maker code 9ZZ is not assigned.
//
// Not modelled: thermostat and crankcase (no standard test result), ECU and odometer swaps, gross leaks
// other than as a large hole, derating by the vehicle after an SCR fault.
//
// # The hard fleet
//
// Scenario "hard" is the fleet that the detector is scored on. hard.json says how it is harder: levels, noise
// and effects of the ambient temperature differ between calibrations, with either sign, and between units;
// wild results, benign ageing, small harmless steps, new parts, tests that run rarely, evening fill-ups in a
// hot week, new limits and cleared codes on healthy units; slow wear of any length from 45 to 180 days.
//
// # The demo
//
// "Brackwater Market Supply" delivers food to kitchens from two depots: Tannery Row (inland, cold winters)
// and Saltgate (coast). 48 units: vans 1101 to 1124 (petrol; 1121 to 1124 on buses before CAN), medium
// trucks 2201 to 2214 (diesel, CAN), heavy trucks 3301 to 3310 (diesel, J1939). Days count from the end.
//
//	unit        scripted truth                                      what must be seen
//	1107        tank leak since day -46, at the limit day +12       alert before its code; PM service in 9 days, inspection in 27
//	3304        SCR efficiency falls since -14, at the limit +6     alert a few days old, days left: an own visit
//	1113, 1116  1116's dongle is in 1113 since -3                   quarantine; both units silent, their baselines untouched
//	1103, 1109, 1119  evening fill-ups in the hottest days          excursions, no alert
//	2208        cylinder 3 from one trip to the next, -2            a surprise: code within a day, no alert before
//	1110        sensor heater open, -31; repaired -26               fails and sets its code the next cold start
//	1111        new calibration, limits 12 % wider, -58             a new epoch, no alert
//	2205        no coverage from -40 to -28                         silent, then a shuffled backlog with duplicates; same state as without
//	1120        codes cleared yesterday, inspection in 2 days       results read zero: not run, not perfect
//	3307        corroded NOx sensor pin, bad on wet days, from -75  fails, passes, fails; repaired -12
//	2211        particulate filter, only the phase differs          no alert
//	1117        valve timing follows the age of the oil             no alert
//	1115        tank filled every night since -52                   its leak test hardly runs: not protected
//	1105        catalyst ageing since -152, at the limit +38        alert for weeks; warranty of eight years ends in 61 days
//	2202, 2204, 2212  carbon in the EGR valve, one family           three alerts of one kind; 2212 coded, repaired -14
//	3302        charge air hose, coded about -50; sensor replaced   not recovered
//	1102, 1122, 2210, 3309  slow wear, limit ahead                  open alerts with days or weeks left
//	1118        intake hose, accelerating, coded about -20          alert before its code; code stored
//	1112, 2207  coded and repaired long ago                         alert before its code, recovered
//	the rest    healthy                                             quiet
//
// Live goes on from there: vehicles on the road are read every four minutes.
package fleetsim
