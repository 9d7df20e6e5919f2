// Package schedule proposes when each unit should come in: a pure function from open jobs, PM services, the
// shop file and what people decided to a plan with a reason for every visit. Same input, same plan; it reads
// no clock and starts nothing.
//
// Rules (common practice of the trade, no source):
//
//	stop, stored code, failed test           own visit, the first day with room
//	bound later than the PM service + 3 days ride along with it
//	earlier, road call or compliance         pull the PM service forward where that lies before the bound and
//	                                         inside its early window; else own visit, the first day with room
//	earlier, cost                            pull forward likewise; else ride along, the risk named
//	no bound                                 at the PM service or within 30 days, whichever is first
//	note                                     watch
//
// An own visit takes the PM service along where its early window is open on that day and there is room for both; the service
// alone never comes on a day on which the unit is in for something else.
//
// The bound is the day before which a visit should be: the early end of the forecast, or an inspection,
// compliance or warranty date with the time that a repeated test needs. The caller computes it.
//
// Jobs are placed in the order of consequence, then bound, then name, after what people fixed. So a graver
// job has the first choice, and a lighter one never takes its room. Bays, technician hours, skills and days
// are hard: a visit that does not fit is a Clash, which names the visits that would have to move; a person
// decides. Part of the hours stays unbooked for breakdowns; only a person may book those.
//
// What a person fixed stays where it is, also when it no longer fits: then it is a clash on its own day and
// takes no room from others. A fixed day that has passed without the unit is a no-show and is planned again.
// A deferral ends by itself.
//
// Rejected: a solver that finds the best plan. Its plans change as a whole when one input does, and nobody
// can say why a unit moved.
package schedule
