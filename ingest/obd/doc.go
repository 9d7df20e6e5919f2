// Package obd turns diagnostic messages into test results, codes, counters and context.
//
// Place in the pipeline: a report brings complete messages (after transport reassembly); Decode reads all
// messages of one report together, because some facts need more than one of them: the two one-limit
// messages of an older bus are one test, a VIN comes in five parts there, and a calibration id, a
// completion bit or an in-use counter belongs to results that came in another message.
//
// The package is pure: bytes in, values out. It has no I/O, no clock, no goroutine, and nothing but
// read-only tables at package level. Decode may be called from many goroutines at once.
//
// Every message stands alone: one that does not fit gives exactly one Item of KindError, which says
// service, offset and what did not fit, and no row; all others decode. A length that does not fit whole
// records gives no row at all, since a message with a lost frame yields plausible records otherwise.
// An answer 7F is no fault: it is an Item of its own that tells "no support" from "busy".
//
// A Decoder that reads report after report allocates nothing for results, and writes of a row only what the
// value changes where test, unit, limits and sender are those of the report before (see memory). So its reports
// are for reading only, until the next call.
//
// Rows are judged on raw integers by series.Judge; scaling is for people. The rejected way was to scale
// first and compare floating-point numbers: the printed factors of the standard are rounded (0.122 mV for
// 125/1024), and a result at its limit would fail by rounding.
//
// The tables (units, monitors, tests, SLOTs, SPNs, code families) are CSV files beside the code, each row with its
// source in words. Most come from memory of the standards and are marked so; no meaning is invented for
// an id that is not in them: the raw value stays, with the sign its id implies.
package obd
