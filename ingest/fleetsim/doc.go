// Package fleetsim invents fleets whose truth is known: for the demo, for tests, and to measure the
// detector.
package fleetsim
