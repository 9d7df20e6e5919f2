// Package shop holds what only people on the shop floor know: work done, codes cleared, control units
// reprogrammed, dongles moved, parts on the shelf, what drivers report; and the shop file, which says how
// much work each depot can take.
//
// Place: left of alerts. The triage reads facts (recent work first, a smell of fuel stops the unit), the
// schedule reads the shop file and the services done, the proof of a repair reads clears and reflashes.
//
// What a fact means for the detector is said in alerts/told.go: a repair that names its family, a clear, a control
// unit programmed or replaced, a dongle moved start the right series anew.
//
// Facts are append-only. Their id is a hash of their content, so that the same file imported twice is the
// same facts once; one that was wrong is taken back with a name and a reason and stays in the table. The
// shop file is kept in versions, the newest is in force.
//
// A row that cannot be read is left out and named; the others are kept. The package starts nothing.
package shop
