// Package sql answers analysts' questions in SQL: DuckDB over one pinned snapshot of the lake.
//
//	service:  query -> turn -> worker -> pin, small tables -> answer (Arrow IPC) -> rows
//	worker:   locked in -> parameters -> parse and judge -> views -> run
//
// A query runs in a worker: a process of this same program (WorkerCommand) that locks itself in before it
// opens DuckDB. It may read the lake's folder, use a temp folder of its own, and nothing else: Landlock, with
// no environment, no network, no signals to others, the lowest priority for processor and disk, and the first
// place when memory runs out. It cannot open the roster or the alert book; it asks for the snapshot and the
// small tables over its pipes (wire.go), and hands over its answer as one Arrow IPC stream, written with the
// Arrow that DuckDB's driver has (v18) and read with the one that the lake has (v15): only their C interfaces
// cannot share a program. Config.Parallel workers run at a time; other queries wait in order and are told how
// many are ahead. Time is up, the caller gives up, the process holds more than it may: it is killed, which is
// the one cancel that always works; a new worker takes a tenth of a second. A crash ends that query alone.
//
// Inside, the query is first parsed by DuckDB's own parser (json_serialize_sql) and its tree is walked: one
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
// Where the kernel has no Landlock, Config.Fence decides: FenceRequired closes SQL, FencePreferred runs it
// behind the judge, the locked configuration and the limits alone. Open and the command check say which.
// What the fence does not hold: the lake itself can be read whole, and a worker can use the processor that
// nobody else wants until its time is up. Windows of Landlock before version 6 (signals, abstract sockets)
// and 10 (UDP) stay open on older kernels; DuckDB here has no function that would use them.
//
// Failure cases: a statement that is refused or wrong is an *Error with a message, the line and caret,
// and a hint; a limit met is an *Error of KindTimeout or KindMemory, a worker that broke down one of
// KindCrashed; a source that fails is wrapped as is.
//
// The Engine owns its worker processes and one goroutine for each, which waits for its end. A query adds one
// that watches its memory.
package sql
