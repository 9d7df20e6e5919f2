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
// Three things go on at once: one fetch is ahead; the reports of the fetch before are parsed and decoded by as many readers
// as there are processors, each with a decoder of its own; and the batch before is on its way into the lake. What a
// report becomes is decided between the readers and the batch, by one goroutine in the order of the log. A batch is
// sent when it is full or its oldest report has waited long enough, and not before the one ahead of it has landed, so
// that commits stay in order and two batches are the most that is held. A slow disk makes batches larger, not more.
//
// Where the time goes, from fetch to commit with the fold (BenchmarkBesideGeneralParts in sql, 20 results a report in 25
// messages, JSON and protobuf in turn, processor time): finding the places of values for Parquet 19 %, encoding and writing
// it 11 %, the rest of a commit 3 %, the fold 13 %, decoding 9 % and placing 4 %, the client and server of the log 13 %, the
// garbage collector 12 %, parsing 11 %, digests 2 %, the rest 3 %. Sync and Iceberg metadata are in the commit's.
//
// Against DuckDB alone on the same reports, which decodes a part of them and asks one drift question, three runs of an evening
// in which others kept both processors busy gave in the median, by processor time, 2.7 times as many readings (2.3 at
// least), 3.2 (2.7) where reports come as protobuf, 2.0 (1.7) with publishing to the synced log; by the clock 3.1 (2.2), 3.3
// (2.0) and 1.7 (1.5). Before, it was 1.4 to 1.6 by processor time. Flushed readings take 7.4 bytes a row as
// before, compacted ones 0.97 times the bytes of DuckDB's sorted zstd files. The peak memory of an import, 0.5 GB, grew by 5 %.
//
// What is made for a report is used again for a later one: the reader's parser, its messages and decoder; and the results
// of a batch (shelf.go), once they are committed and folded. What of a report outlives that is its texts.
//
// Failure. What is wrong with a report never stops the Consumer. A store that fails does: it tries again
// with growing pauses, keeps what it holds, and fetches nothing once a second batch is full.
//
// Rejected, measured: fetches of 2,000 reports, and a garbage collector that waits for four times what is in use: no gain.
// zstd for a flush: two thirds of the bytes, and a third more time a commit. Partitions on one machine: several pullers
// with a lake each would share the disk's syncs and the processors that one already fills, and what is decided about a
// report would depend on how they race.
//
// Run ends with every goroutine that it started. Committed, Idle and Counts may be called from anywhere.
package ingest
