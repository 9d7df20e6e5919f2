package sql

import (
	"context"
	"iter"
	"time"
)

// A Source gives the state that a query sees.
type Source interface {
	// Pin returns one consistent state, of which these views are asked for. Its files stay readable until Release.
	Pin(ctx context.Context, views []string) (Snapshot, error)
}

// A Snapshot is one pinned state: the lake's tables as Parquet files, and the small tables beside them.
type Snapshot interface {
	// Tables lists the tables of the lake. A table that is missing here reads as empty; drift is then asked of Small.
	Tables() []Table
	// Small returns one of the tables kept outside the lake: units, alerts, work_orders, series, drift. It is
	// asked for only when a query mentions it; units also when a query needs the unit of a reading.
	Small(ctx context.Context, name string) (Rows, error)
	// Release ends the pin. It is called once.
	Release()
}

// A Table is one table of the lake at one snapshot.
type Table struct {
	Name        string
	SnapshotID  int64
	CommittedAt time.Time
	Files       []File
	Rows        int64
	Fields      []Field
}

// A File is one Parquet file of a table, and what is known of all its rows. The zero value of what is known
// rules nothing out.
type File struct {
	Path        string // absolute
	VIN, Device Bounds
	VINs        bool      // every row has a VIN
	From, To    time.Time // of read_at; zero = not known
}

// Bounds are the least and the greatest text of a column, where they are known. Rows without a value do not
// count; where there is no other, Low is greater than High.
type Bounds struct {
	Known     bool
	Low, High string
}

// A Field is one column of a lake table.
type Field struct {
	ID   int    // field id in the Parquet files
	Name string // current name
	Type string // Iceberg's: string, int, long, double, boolean, timestamp
}

// Rows is a small table. The dictionary says which columns the view has and of which type; a column
// that is not given reads NULL, a column that the dictionary does not know is an error.
type Rows struct {
	Columns []string
	// Rows gives the values in the order of Columns. A value is nil, string, bool, int, int64, float64
	// (NaN reads NULL), time.Time (the zero time reads NULL) or []string.
	Rows iter.Seq[[]any]
	// Err says, once Rows has ended, whether it ended too early. Nil: it cannot.
	Err func() error
}

// A Pinned names the snapshot of one lake table that a query saw.
type Pinned struct {
	Table       string
	SnapshotID  int64
	CommittedAt time.Time
}
