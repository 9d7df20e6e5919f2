// Package alerts turns signals into work: one alert a unit and suspected cause, what people decide about
// it, and the sheet that a shop works from.
//
// Place: after analyze, before the pages. Derive is a pure function from a unit's signals, the newest state
// of its series and its roster row to its alerts. The Book keeps them in SQLite with the decisions of
// people, the history of every alert and the work orders. The package knowledge holds, as data, what the
// trade knows of each family: words, cautions, steps, proof.
//
// Identity. An alert's id is a hash of unit, family and the ordinal of the episode: the signals of a family
// that overlap in time. A replay of the same readings, in any arrival order, gives the same ids, so Sync
// raises nothing twice. The rejected way was a hash over the time raised: one late reading can move that
// time, and with it the decision of a person would hang on an alert that no longer exists. The price:
// late data that reveal an earlier episode move the ordinals after it.
//
// Two kinds of columns. What is derived is written over by every Sync; what a person decided is never
// touched by it, but for one case that the history names: an explained or muted alert that goes beyond its
// limit is open again. The state that readers see is computed from both. An alert whose signals all ended
// is closed, one that the readings no longer give is withdrawn, and an end date ends a decision by itself.
//
// Explained without a person: where all standing signals of an alert carry what explains them (the whole cohort moved; the
// results far out came after fills, in heat, cold, at altitude), its state is explained until later results say otherwise
// or a person decides. It is on every list, and asks for no visit.
//
// Failures. A Sync is one transaction: a crash leaves the book before it or after it, and the next Sync
// repairs what is missing. Errors wrap ErrNotFound, ErrAmbiguous, ErrTransition or ErrInput where a person
// can do something about them.
//
// Times of alerts are the readings' own. The book's clock dates decisions only; nothing derived reads it.
// The package starts no goroutine.
//
// Work can hurt people: every sheet shows the cautions before the steps, defers to the vehicle maker's
// service information, and no text suggests clearing codes. Tests hold the data to that.
package alerts
