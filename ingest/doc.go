// Package ingest takes reports out of the log and puts their readings into the lake.
//
//	log (broker) -> parse (report) -> decode (obd) -> whose is it (fleet) -> Append, Commit (lake) -> ack
//	                     \________________________________/
//	                                 quarantine
//
// Guarantees. Every report that the log took is, after a crash at any point, in the lake once or in the
// quarantine once, or it is a repetition of one that is. The lake remembers the sequence it has committed,
// in the same step that commits the rows; the Consumer resumes behind it. Acknowledging comes last and
// nothing rests on it.
//
// Order. One goroutine handles the reports strictly by sequence, so that what is decided about one (which
// of two contents of an id came first) depends on the log alone and never on how it was cut into flushes.
// Quarantine entries are written before the commit that moves the sequence past them; writing them again
// after a crash replaces them by themselves.
//
// Repetition. A report id with the digest of its content is remembered for every committed report: the
// same again is dropped, another content goes to the quarantine. The broker's own two-minute window is
// not relied on. Bytes that were refused before, for the same reason, are dropped as well, so that an
// import that is run again does not fill the quarantine; they are judged anew first, because a new roster
// may have put right what was wrong.
//
// Failure. What is wrong with a report never stops the Consumer. A store that fails does: it tries again
// with growing pauses, keeps what it holds, and fetches nothing meanwhile.
//
// The rejected way was a pool of decoders: decoding takes a hundredth of the time that writing Parquet
// takes, and order would have to be made again behind the pool.
//
// Run owns its goroutine; it starts no other. Committed, Idle and Counts may be called from anywhere.
package ingest
