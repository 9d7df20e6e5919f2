// Package lake stores reports as columns: Arrow batches to Parquet data files, committed as Apache Iceberg
// v2 tables that any engine can read. It stands between the consumer, which appends polls, and everything
// that asks about the past: the fold at start, SQL over a pinned state, verification.
//
// Three tables: reports (one row a report), readings (one row a test result), codes (one row a stored
// trouble code). On disk, in the layout that Iceberg's file-system catalogs use:
//
//	<lake>/<table>/data/<group>.parquet
//	<lake>/<table>/metadata/vN.metadata.json, version-hint.text, snap-*.avro, <group>-m*.avro
//
// # One commit point
//
// Iceberg commits one table at a time; a report is in three. So one table, reports, is the commit point.
// A commit writes and syncs the files of all tables, then publishes readings, codes and at last reports,
// whose metadata names the snapshots of the other two that belong to it, beside the stream and sequence
// that they reach. What the commit point does not name is not committed: the next commit builds on the
// named snapshots, and Open takes an unfinished one back. So all tables are always at one position, a
// reader never sees a reading without its report, and replayed messages may be decoded otherwise (by a
// newer release) without the tables telling two stories. Every snapshot's summary and every table's
// properties carry marginline.stream and marginline.stream-seq of the commit that wrote them; where they
// differ, the commit point's hold.
//
// Publishing is link(2) from a synced temporary file to vN.metadata.json: it makes the name or fails. A
// failed call is followed by reading the file back, because the call may have worked. An unsynced link
// counts as not committed; the retry publishes the same state under the next version.
//
// A table without new rows is not touched. When no table has any (every message was a repeat or went to
// the quarantine) only the position moves: a version of reports without a new snapshot, so that a restart
// does not read those messages again. When the position does not move either, nothing is written.
//
// # Groups
//
// A commit writes one data file a table, all of the same base name: a group. Within a group the reports
// stand in the same order in every table, and a report's row says how many rows it owns in the other two.
// So a reader finds the rows of one vehicle by adding up, exactly, whatever the statistics say.
// Whatever rewrites data files must rewrite a group in all tables, through the same writer.
//
// # What was weighed and left
//
// Skipping, table by table, what a table already holds: no roll-back at Open, but the tables are apart
// until the replay is through, and differ for ever if the replay decodes otherwise. iceberg-go's table
// package: it does not link beside arrow v15, does not sync, and its expiry deletes files under pinned
// readers; its root package (schema, Avro manifests) is used. WriteBuffered and zstd: arrow v15 is slow
// at both for a flush (see parquet.go).
//
// # Failures
//
// A failed Commit keeps the buffer and can be repeated. ErrConflict, another program's version in our
// place, ends commits until the lake is opened again. Metadata of a newer format is refused at Open and
// left alone. A damaged or missing data file is an error of Polls and a Problem of Verify. Data files are
// never deleted yet, only half-written ones; the metadata keeps 50 snapshots and 100 old versions.
//
// Recorded paths are absolute, as Iceberg wants: a lake that was moved reads here, but other engines look
// for its files in the old place.
//
// The package owns no goroutine. Append, Rows and Commit belong to one; the rest is safe from any.
package lake
