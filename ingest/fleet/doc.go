// Package fleet is the roster: which unit carries which VIN and which dongle, where it is based, and
// when its services and inspections are due.
package fleet
