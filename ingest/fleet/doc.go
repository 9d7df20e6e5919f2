// Package fleet is the roster: which unit carries which VIN and which dongle, where it is based, and
// when its services and inspections are due.
//
// It stands beside the pipeline. The consumer asks it whose report this is, the detector reads engine
// family and depot from it, the alert book the service plan. A Roster is a value that is never changed
// once built: who holds one may share it between goroutines, and a newly imported roster is a new value.
//
// A roster file comes from a person's spreadsheet. One bad cell must not take a vehicle out of sight, so
// a cell that cannot be read is left absent and reported, and the row stays; a row is refused only when
// it names nothing, or names what an earlier row has. Columns we do not know are kept as they are.
//
// The rejected way was to key everything by VIN: dongles move between vehicles, some vehicles tell no
// VIN, and people say "unit 214". A unit is found by VIN, by dongle, or both (Resolve).
package fleet
