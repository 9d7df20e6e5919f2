// Package lake stores reports as columns: Arrow batches to Parquet data files, committed as Apache Iceberg
// v2 tables that any engine can read. It stands between the consumer, which appends polls, and everything
// that asks about the past: the fold at start, SQL over a pinned state, verification.
//
// Four tables: reports (one row a report), readings (one row a test result), codes (one row a stored
// trouble code), drift (one row a fresh reading, derived). On disk, in the layout that Iceberg's file-system catalogs use:
//
//	<lake>/<table>/data/<group>.parquet
//	<lake>/<table>/metadata/vN.metadata.json, version-hint.text, snap-*.avro, <group>-m*.avro
//	<lake>/pins/*.json      what other processes hold
//	<lake>/condemned.json   what nothing refers to any more, and since when
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
// # Groups and order
//
// A commit writes one data file a table, all of the same base name: a group. Within a group the reports
// stand in the same order in every table (vehicle, device, time, report), and a report's row says how many
// rows it owns in the other two. So a reader finds the rows of one vehicle by adding up, exactly, whatever
// the statistics say. Whatever rewrites data files rewrites a group in all tables, through the same writer.
//
// Sorting readings by test within a vehicle (vehicle, ECU, test, time) was measured against this order on
// 2.4 million rows in row groups of 122,880: one test of one vehicle took 8.3 ms instead of 9.1, and a row
// 8.2 bytes instead of 6.9, because time, report and conditions no longer repeat from row to row. The
// vehicle decides what is read, the bytes decide how long it takes: one order for all files.
//
// The tables have no partitions: a flush stays one file a table. Compaction gives every file one period and one cell
// of vehicles; the bounds in the manifests prune by both, for every engine, as partition values would.
//
// # Compaction (plan.go, fences.go, compact.go, seal.go, replace.go)
//
// A flush every few seconds leaves files that cost every query an open and a footer. Compact merges groups
// into larger ones, whole groups in all tables.
//
// A period is a month (by read_at), or a year once it is over: questions of the present year are about weeks and
// months, a vehicle's history is about years. Fences part the vehicles into cells by VIN, so that a year of a cell is
// about one full group (fullRows). There are none in a lake whose years are no larger than that; they come from the
// VINs of a sample of reports, stay for good, and each cell is parted again as the lake grows. All periods are cut at
// the same fences, so the twelve months of a cell hold the same vehicles and become its year in one small merge,
// however large the lake is.
//
// Groups of a period and a cell are merged when there are fanIn of about one size (a factor of eight), so that a row
// is rewritten once a size; those of a period that is over, when they are worth it. Groups of all cells (flushes)
// are merged with each other until each cell would get leastRows, and parted then; those that hold several
// periods are split. The sources are sorted, so the merge holds one row group of each and one of each target: see
// take in plan.go for the limit.
//
// Why a year: measured on 50 million readings of 1,000 vehicles over two years, sealed files of up to 2 million rows,
// DuckDB, processor time of one test of one vehicle with the files that cannot hold it left out: a month a file 78 to
// 91 ms, a quarter 49 to 56, a year 13. Of the first, 28 to 32 ms were footers (24 files; 1.3 ms each, by row groups
// and columns), about 25 the VINs of the 24 row groups, the rest the other columns. What a year costs: a month of it
// fleet-wide reads up to twelve times the rows, and age limits take whole files, so rows of a year that is over can
// stay up to a year longer. Why cells of one year's size rather than few large files: a footer costs by its row
// groups, and a reader of one vehicle reads one. Row groups of 40 K rows in a month's file (its cell has few rows of
// each vehicle, and twelve of them are held in the merge), 120 K in a year's.
//
// Measured beside DuckDB over plain files of a million rows in the order of arrival (BenchmarkHistory in package
// sql, 50 million readings, two quiet cores, medians): one test of one unit over two years 36 ms by the sql package after a real
// compaction, 319 as flushes, 1,174 by DuckDB; everything of one unit in the last month 24, 57 and 199. With the entries and the
// roster of ten such fleets 85 and 74 ms: the same files, a longer list and roster to hand over. Over the whole fleet, worst margin
// by test and engine family, compaction gains little: 3.1 s, 3.2 as flushes, DuckDB 2.4, which is told the VINs and joins once.
// The compaction made 853 groups into 800 by 263 merges, wrote 130 million rows and took 4 min 43 s of processor time.
//
// Dictionaries and their lack (inRuns, zstd.go): a sealed file has row groups of 40 K rows, and each a dictionary of its own.
// For numbers that change from row to row or from report to report it repeats the values, and zstd finds more in the values as
// they follow one another. 1.27 million readings of 400 vehicles, 3 files: with a dictionary in every column 1.20 times the bytes of DuckDB's
// sorted zstd files in row groups of 122,880; 1.08 with margins plain, 0.98 with read_at, raw values, run counts and the distance since codes
// were cleared too. The odometer and the values themselves are smaller with one. A higher level of zstd took twice (7) to
// eight times (11) as long, for 7 and 11 %, before that; it was left. Encoders that are used again made the same compaction take 3.7 s
// of processor time instead of 9 to 13.
//
// What a merge holds: of each source a few thousand rows, not a row group (cursor.go), and of each target a row group.
//
// Left aside: partition fields month(read_at) and bucket(vin): a file of a spec prunes no better than by its bounds,
// a flush would be as many files as it has months times buckets, and the number of buckets would have to follow
// the size of the lake. Fences by hash: bounds would then say nothing. Quarters: a rewrite more for half the gain.
//
// The long part, reading and writing data files, holds no lock. Then, under the lock that commits take, the
// replacement is staged on the state of that moment and published as a commit is: an Iceberg "replace"
// snapshot of each table at the same position, the commit point last. Appended groups are no input, so they
// are never lost, and there is nothing to rebase. The manifests that the replacement touches, and all small
// ones, become one. While a commit runs, the merge waits between batches.
//
// Commits beside a compaction that never rests took 288 ms instead of 227, p99 the same. Compaction costs about 7
// microseconds of processor time a row and pass on a busy machine; a row takes two to three passes in its life.
//
// Left aside: rewriting columns without going through polls (two ways to write a file, to save processor
// time of a background job); optimistic commits with retries (there is one writer by design, a lock is
// enough); DuckDB as the sorter (this package does not import it, and it does not write field ids).
//
// Failures: before publishing, the new files are removed, or swept later as orphans. Between two tables,
// Open takes the replacement back like any unfinished commit. After the commit point it holds.
//
// # How a data file is written (packer.go, layout.go, chunk.go, hybrid.go, parquet.go)
//
// Rows are seen through accessors, not copied into columns. A packer finds the place of each value in its column's
// dictionary: mostly by one look at the same test of the report before, once a report for what is the report's, and not at
// all where a report repeats the tests and limits of the one before, which is one comparison a row for sixteen columns. Places
// and levels are then encoded in Parquet's hybrid of runs and bits, one page a chunk; schema, headers of pages, statistics
// and footer are written by arrow. What that takes is used again from flush to flush.
//
// arrow's record writer boxes and hashes every value; its column writers, given finished dictionaries, hash them again,
// copy each page some times and put values one by one through an interface. 250,000 readings in one commit: 1,030 ns of
// processor time a row with them, 513 without, the garbage collector counted, 141 MB of garbage and 30 MB; the same bytes.
// Every reader of the tests (arrow, DuckDB, iceberg-go, hyparquet) reads what is written so.
//
// # Reading history back (replay.go, outline.go, lanes.go, pager.go)
//
// Polls gives polls as they lie, each on its own, for few of them. Replay gives the polls of each unit in the order
// of time, for the detector, and is built for many: one look through the reports table (a fortieth of the rows)
// tells in what order a unit's polls stand and which have to wait for a late one; then each worker takes a share
// of the units through the files and decodes the columns of results into one buffer, which is lent to the reader.
// A poll is copied only where it has to wait. A unit with a late reading is folded again every few seconds in a live service, from
// a history of many small files: buffers are used again from file to file, and what one replay holds is a few MB and what waits.
// One unit out of 100 flushes (BenchmarkReplayOneUnit) takes 155 ms of processor time where Arrow's readers of row groups took
// 325, and a third of their memory: most of that was two buffers of 16 KiB for every column of every file. What is
// left is decoding and, for a fifth, footers. Rejected: a merge of all files by unit and time, which holds a row
// group of each file in memory; sorting after reading, which holds all that is read; and footers kept in memory, which are larger
// than the flushes themselves, for files that are merged a minute later.
//
// Measured on two busy cores, processor time for 1.2 million readings in 60 flushes, through the detector: 3.5 s by
// Polls, 1.1 s by Replay; compacted, 1.3 s and 0.5 s.
//
// # Evolution (evolve.go)
//
// A column that this release has and the table lacks is added at Open: a new schema with the next id. New
// columns are optional, with field ids of their own for ever; older files read as null there. A table with
// a column that this release does not know was written by a newer one and is refused.
//
// # Expiry in two steps (expire.go, sweep.go, pinfile.go)
//
// Step one drops snapshots from the metadata. Step two, Sweep, lists the folders, reads what the snapshots of the
// newest metadata and all pins refer to, and condemns the rest: condemned.json says since when. A later sweep
// deletes what has been condemned for the grace period and still nothing refers to. The same two looks deal
// with replaced data files, dropped snapshots' manifests and the orphans of failed commits; a file younger
// than youngFile is never condemned, because a commit may be about to name it. Lost bookkeeping only starts
// the grace period anew. Anything that cannot be read stops the sweep before it deletes.
//
// A pin of this process is in memory. A pin of another process (verify, export) is a file with a lease that its
// holder renews; it names manifest lists, and everything they lead to stays. An engine that knows nothing of
// pins has the grace period.
//
// Left aside: deleting in the commit that replaces (it pulls files from under readers); going by a file's age
// alone (an old file may have been replaced a second ago); a ledger of removed files (it must be in step with
// the commits; the two looks need no ledger).
//
// # Age limits (retain.go)
//
// Retain removes whole data files whose newest row is older than the table's limit, as an Iceberg "delete"
// snapshot. Of a year that is over that is the year. Reports stay at least as long as what hangs on them. Where the readings of a report were removed
// by age, the table's property marginline.kept-from says so, and Polls gives the report without them.
//
// # Copies (export.go)
//
// Export copies one state into another folder, with the paths of its new place, and verifies the copy before it
// gets its name. Restoring is the same call the other way.
//
// # Drift (drift.go, drift_writer.go, drift_index.go, drift_compact.go)
//
// The fourth table holds what the detector made of every fresh reading. It is derived: the readings are the truth, and
// whatever the table lacks is folded again from them. It has data files of its own, is committed apart from the
// reports (which never wait for it), and is named by the same commit point, so that a crash, an unsynced link and a
// pin are dealt with as for any other table. The commit point's properties marginline.drift-stream, -stream-seq and
// -basis say what the rows were made of: everything up to that place, under those rules, that roster and that fit of
// the cohorts. At start the difference to the present says which units have to be folded again.
//
// A fold is one pass over a unit from its first reading. Rows that follow in order go on under its version; a late
// reading, another roster or other settings begin a new one, whose rows supersede the unit's older ones. The version is
// a column (fold, rising; folded_at and settings beside it), and of each unit the greatest stands. Any engine says it so:
//
//	SELECT d.* FROM drift d
//	JOIN (SELECT unit, max(fold) AS fold FROM drift GROUP BY unit) n ON d.unit = n.unit AND d.fold = n.fold
//	WHERE d.report_id IS NOT NULL
//
// The last line leaves end marks out: a row without a report says that a unit has no rows from that fold on (it left the
// roster, or its readings went to another unit). Compaction drops superseded rows, marks that nothing older stands
// behind, and rows whose readings went by age. Files are sorted by unit, fold, control unit, test, time: a series stands
// together, and one unit is one or two row groups of a file. They are merged by size, not by month: a fold of a unit
// spans all months, and a question about drift names a unit. A fit of the cohorts folds every unit again: the files that
// it supersedes go in one change, unread. A row takes 350 bytes of memory: a merge takes row groups of 32 K and 512 rows of
// each source at a time, and leaves zstd to what stays.
//
// Rows come as they are folded and go to disk at a slower beat than the readings, at the end of an import, and
// before a query that reads drift; many rows are spilled into data files before their commit names them. A commit
// of 100 rows took 15 ms of processor time, of 10,000 rows 44 ms, of 100,000 rows 290 ms, and on two cores and a disk that
// others kept busy 0.1 to 0.2 s, as long for 100 rows as for 10,000 (BenchmarkDriftCommit):
// nearly all of a small one is syncs, so one with every flush would double what a flush costs for rows that nobody has
// asked for.
//
// Left aside: a row's own fold as a bool "newest" (every later fold would rewrite all older files); delete files of
// Iceberg v2 (few small engines read them, and our file lists would have to apply them); the version as a text (its
// greatest is not the newest once settings are taken back); a position of the readings in each row; a commit point of its
// own (one more thing to take back at Open, and a pin of two states); deriving the rows when a query asks, which was
// there before and folded the whole fleet for one series.
//
// # Disk (space.go)
//
// Room says whether the disk has more than its floor free. The consumer asks before a commit and neither
// commits nor acknowledges below it; compaction leaves room for what it writes; Sweep always runs.
//
// # What was weighed and left
//
// Skipping, table by table, what a table already holds: no roll-back at Open, but the tables are apart
// until the replay is through, and differ for ever if the replay decodes otherwise. iceberg-go's table
// package: it does not link beside arrow v15, does not sync, and its expiry deletes files under pinned
// readers; its root package (schema, Avro manifests) is used. arrow's own column writers: see above. zstd for a flush: see parquet.go.
//
// # Failures
//
// A failed Commit keeps the buffer and can be repeated. ErrConflict, another program's version in our
// place, ends commits until the lake is opened again. Metadata of a newer format is refused at Open and
// left alone. A damaged or missing data file is an error of Polls and a Problem of Verify.
//
// Recorded paths are absolute, as Iceberg wants: a lake that was moved reads here, but other engines look
// for its files in the old place; Export writes them anew.
//
// The package owns no goroutine; Run is upkeep on the caller's. Append may go on beside a Commit of what came before;
// two Appends or two Commits may not. The rest is safe from any goroutine.
package lake
