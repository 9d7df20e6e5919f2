// Package sql answers analysts' questions in SQL: DuckDB over one pinned snapshot of the lake.
//
//	query -> parse and judge -> pin -> small tables -> views -> run -> rows
//
// A query is first parsed by DuckDB's own parser (json_serialize_sql) and its tree is walked: one
// SELECT, our views only, functions from an allow-list. The tree also says which views are needed,
// whether the roster is needed, and whether only some units are asked for. Then a snapshot is pinned;
// the views the query mentions are made as TEMP views on a connection of its own, each over the explicit
// list of files of that snapshot; the query runs; the connection is closed and the snapshot released.
// Nothing of one query is visible to another, and a query sees one snapshot from start to end.
//
// The views are the .sql files of views/. A column's type, meaning, unit of measure and null rule stand
// as a comment beside its expression: that is the dictionary (Views), so the two cannot drift apart.
//
// Ways not taken. A glob instead of a file list: it sees half a compaction. One read_parquet over files of
// different schemas: DuckDB then no longer knows how many rows there are, and joins suffer (layout.go).
// A database file: one process only. A function deny-list: a new DuckDB would open a hole by itself; the
// allow-list closes on its own. Casting times in a view: the cast loses filter pushdown. ICU for time
// zones: not in this build of DuckDB; local_time is ours. The unit in the files: the roster changes.
//
// The fence here is the judged statement, the limits of memory, threads, rows and time, and a locked
// configuration. It is not a sandbox: DuckDB runs in this process, may read any file this process may,
// and memory that DuckDB does not count (finished answers, single huge strings) is not limited. Running
// the Engine in a child process that can read nothing but the lake comes on top; that is why Source and
// Sink are small interfaces of plain values.
//
// An internal error of DuckDB ends the Engine: every later query fails until the program starts again.
//
// Failure cases: a statement that is refused or wrong is an *Error with a message, the line and caret,
// and a hint; a query over its time is an *Error of KindTimeout; a source that fails is wrapped as is.
//
// The Engine owns no goroutine of its own; DuckDB has its threads. Config.Parallel queries run at a
// time, the others wait for their turn or their context.
package sql
