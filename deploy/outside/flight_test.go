package outside

import (
	"context"
	stdsql "database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/flight"
	"github.com/apache/arrow-go/v18/arrow/flight/flightsql"
	_ "github.com/apache/arrow-go/v18/arrow/flight/flightsql/driver"
	"github.com/apache/arrow-go/v18/arrow/memory"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// serveFlight runs the service over a data folder until the test ends.
func serveFlight(t *testing.T, data string) (address, token string) {
	t.Helper()
	address = serve(t, data, "MARGINLINE_SQL_ROWS=400000").flight()
	b, err := os.ReadFile(filepath.Join(data, "flight-token"))
	if err != nil {
		t.Fatal(err)
	}
	return address, strings.TrimSpace(string(b))
}

func dial(t *testing.T, address string) *flightsql.Client {
	t.Helper()
	c, err := flightsql.NewClient(address, nil, nil, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// fetch reads every batch of an answer and gives its schema, its rows and its first column as text.
func fetch(t *testing.T, ctx context.Context, c *flightsql.Client, info *flight.FlightInfo) (schema *arrow.Schema, rows int64, first []string) {
	t.Helper()
	for _, e := range info.Endpoint {
		r, err := c.DoGet(ctx, e.Ticket)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Release()
		schema = r.Schema()
		for r.Next() {
			rec := r.RecordBatch()
			rows += rec.NumRows()
			for i := 0; i < int(rec.NumRows()) && rec.NumCols() > 0; i++ {
				first = append(first, rec.Column(0).ValueStr(i))
			}
		}
		if err := r.Err(); err != nil {
			t.Fatal(err)
		}
	}
	return schema, rows, first
}

// Another release of the library, as a client, against the service as it is shipped.
func TestFlightSQL(t *testing.T) {
	data := makeLake(t)
	reports := duck(t, data, "select count(*) n from readings")[0]["n"]
	units := duck(t, data, "select unit from units order by unit")
	address, token := serveFlight(t, data)
	c := dial(t, address)

	t.Run("token", func(t *testing.T) {
		for what, ctx := range map[string]context.Context{
			"none":      t.Context(),
			"wrong":     metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.Repeat("x", len(token))),
			"empty":     metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer"),
			"nonsense":  metadata.AppendToOutgoingContext(t.Context(), "authorization", "Basic !"),
			"no colon":  metadata.AppendToOutgoingContext(t.Context(), "authorization", "Basic eA=="),
			"one blank": metadata.AppendToOutgoingContext(t.Context(), "authorization", " "),
		} {
			if _, err := c.Execute(ctx, "select 1"); status.Code(err) != codes.Unauthenticated {
				t.Errorf("%s: %v", what, err)
			}
			if _, err := c.DoGet(ctx, &flight.Ticket{Ticket: []byte("x")}); err == nil || status.Code(err) != codes.Unauthenticated {
				t.Errorf("%s: a stream: %v", what, err)
			}
		}
		if _, err := c.Client.AuthenticateBasicToken(t.Context(), "analyst", "wrong password"); err == nil {
			t.Error("a wrong password logs in")
		}
	})
	ctx, err := c.Client.AuthenticateBasicToken(t.Context(), "analyst", token)
	if err != nil {
		t.Fatalf("login: %v", err)
	}

	t.Run("query", func(t *testing.T) {
		info, err := c.Execute(ctx, "select unit, read_at, margin from readings where state = 'ok' order by unit, read_at limit 5")
		if err != nil {
			t.Fatal(err)
		}
		schema, rows, _ := fetch(t, ctx, c, info)
		if rows != 5 || schema.Field(0).Type.ID() != arrow.STRING || schema.Field(1).Type.String() != "timestamp[us]" || schema.Field(2).Type.ID() != arrow.FLOAT64 {
			t.Errorf("%d rows of %v", rows, schema)
		}
	})
	t.Run("large", func(t *testing.T) {
		info, err := c.Execute(ctx, "from readings")
		if err != nil {
			t.Fatal(err)
		}
		schema, rows, _ := fetch(t, ctx, c, info)
		if fmt.Sprint(rows) != fmt.Sprint(reports) || rows < 20_000 || schema.NumFields() != 36 {
			t.Errorf("%d rows of %d columns: want %v", rows, schema.NumFields(), reports)
		}
	})
	t.Run("too large", func(t *testing.T) {
		info, err := c.Execute(ctx, "select i from range(400001) t(i)")
		if err != nil {
			t.Fatal(err)
		}
		r, err := c.DoGet(ctx, info.Endpoint[0].Ticket)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Release()
		for r.Next() {
		}
		if status.Code(r.Err()) != codes.ResourceExhausted || !strings.Contains(r.Err().Error(), "400000 rows") {
			t.Errorf("an answer cut off: %v", r.Err())
		}
	})
	t.Run("errors", func(t *testing.T) {
		for query, want := range map[string]struct {
			code codes.Code
			says string
		}{
			"select unit\nfrom reedings":               {codes.PermissionDenied, "LINE 2: from reedings\n             ^"},
			"select * from read_text('/etc/passwd')":   {codes.PermissionDenied, "read_text is not allowed"},
			"selekt 1":                                 {codes.InvalidArgument, "syntax error"},
			"select nothing from units":                {codes.InvalidArgument, "nothing"},
			"delete from units":                        {codes.PermissionDenied, "read only"},
			"as of '2001-01-01' select 1 from reports": {codes.InvalidArgument, "oldest that is kept"},
		} {
			if _, err := c.Execute(ctx, query); status.Code(err) != want.code || !strings.Contains(fmt.Sprint(err), want.says) {
				t.Errorf("%s: %v", query, err)
			}
		}
		if _, err := c.ExecuteUpdate(ctx, "delete from units"); err == nil {
			t.Error("an update was done")
		}
	})
	t.Run("prepared", func(t *testing.T) {
		unit := units[3]["unit"].(string)
		want := duck(t, data, fmt.Sprintf("select report_id from readings where unit = '%s' and read_at >= timestamp '2026-01-01' and margin < 0.9 order by 1", unit))
		p, err := c.Prepare(ctx, "select report_id from readings where unit = ? and read_at >= ? and margin < ? order by 1")
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close(ctx)
		if s := p.DatasetSchema(); s == nil || s.NumFields() != 1 || s.Field(0).Name != "report_id" {
			t.Errorf("columns before it ran: %v", s)
		}
		params := p.ParameterSchema()
		if params == nil || params.NumFields() != 3 || params.Field(0).Type.ID() != arrow.STRING || params.Field(1).Type.ID() != arrow.TIMESTAMP || params.Field(2).Type.ID() != arrow.FLOAT64 {
			t.Fatalf("parameters %v", params)
		}
		b := array.NewRecordBuilder(memory.DefaultAllocator, params)
		defer b.Release()
		b.Field(0).(*array.StringBuilder).Append(unit)
		b.Field(1).(*array.TimestampBuilder).Append(arrow.Timestamp(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro()))
		b.Field(2).(*array.Float64Builder).Append(0.9)
		rec := b.NewRecordBatch()
		p.SetParameters(rec)
		info, err := p.Execute(ctx)
		if err != nil {
			t.Fatal(err)
		}
		_, rows, first := fetch(t, ctx, c, info)
		if int(rows) != len(want) || rows == 0 || first[0] != want[0]["report_id"] {
			t.Errorf("%d rows, want %d", rows, len(want))
		}
	})
	t.Run("metadata", func(t *testing.T) {
		info, err := c.GetTables(ctx, &flightsql.GetTablesOpts{IncludeSchema: true})
		if err != nil {
			t.Fatal(err)
		}
		views := map[string]*arrow.Schema{}
		r, err := c.DoGet(ctx, info.Endpoint[0].Ticket)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Release()
		for r.Next() {
			names, schemas := r.RecordBatch().Column(2).(*array.String), r.RecordBatch().Column(4).(*array.Binary)
			for i := range names.Len() {
				s, err := flight.DeserializeSchema(schemas.Value(i), memory.DefaultAllocator)
				if err != nil {
					t.Fatal(err)
				}
				views[strings.Clone(names.Value(i))] = s
			}
		}
		if len(views) < 8 {
			t.Fatalf("views %v", views)
		}
		for name, told := range views { // what is told of a view is what it gives
			info, err := c.Execute(ctx, "select * from "+name+" limit 0")
			if err != nil {
				t.Fatal(err)
			}
			got, _, _ := fetch(t, ctx, c, info)
			for i, f := range got.Fields() {
				if f.Name != told.Field(i).Name || !arrow.TypeEqual(f.Type, told.Field(i).Type) {
					t.Errorf("%s: column %v, told %v", name, f, told.Field(i))
				}
			}
			if k := told.Field(0).Metadata.FindKey("ARROW:FLIGHT:SQL:REMARKS"); k < 0 {
				t.Errorf("%s: no remark", name)
			}
		}
		pattern := "re%s"
		some, err := c.GetTables(ctx, &flightsql.GetTablesOpts{TableNameFilterPattern: &pattern})
		if err != nil {
			t.Fatal(err)
		}
		if _, rows, _ := fetch(t, ctx, c, some); rows != 2 {
			t.Errorf("%d tables like re%%s, want readings and reports", rows)
		}
		for what, call := range map[string]func() (*flight.FlightInfo, error){
			"catalogs":     func() (*flight.FlightInfo, error) { return c.GetCatalogs(ctx) },
			"schemas":      func() (*flight.FlightInfo, error) { return c.GetDBSchemas(ctx, &flightsql.GetDBSchemasOpts{}) },
			"table types":  func() (*flight.FlightInfo, error) { return c.GetTableTypes(ctx) },
			"primary keys": func() (*flight.FlightInfo, error) { return c.GetPrimaryKeys(ctx, flightsql.TableRef{Table: "units"}) },
			"server": func() (*flight.FlightInfo, error) {
				return c.GetSqlInfo(ctx, []flightsql.SqlInfo{flightsql.SqlInfoFlightSqlServerName, flightsql.SqlInfoFlightSqlServerReadOnly})
			},
		} {
			info, err := call()
			if err != nil {
				t.Errorf("%s: %v", what, err)
				continue
			}
			_, rows, _ := fetch(t, ctx, c, info)
			if want := map[string]int64{"table types": 1, "server": 2}[what]; rows != want {
				t.Errorf("%s: %d rows, want %d", what, rows, want)
			}
		}
	})
	t.Run("cancel", func(t *testing.T) {
		info, err := c.Execute(ctx, "with recursive n as (select 1 as i union all select i + 1 from n) select max(i) from n")
		if err != nil {
			t.Fatal(err)
		}
		for range 3 { // more than run at a time: a cancelled one must give its turn back
			short, stop := context.WithTimeout(ctx, time.Second)
			r, err := c.DoGet(short, info.Endpoint[0].Ticket)
			if err == nil {
				for r.Next() {
				}
				err = r.Err()
				r.Release()
			}
			stop()
			if code := status.Code(err); code != codes.DeadlineExceeded && code != codes.Canceled {
				t.Errorf("cancelled: %v", err)
			}
		}
		one, err := c.Execute(ctx, "select 1 as one")
		if err != nil {
			t.Fatal(err)
		}
		if _, rows, _ := fetch(t, ctx, c, one); rows != 1 {
			t.Errorf("%d rows", rows)
		}
	})
	t.Run("database/sql", func(t *testing.T) {
		db, err := stdsql.Open("flightsql", "flightsql://"+address+"?token="+token+"&timeout=60s")
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		rows, err := db.QueryContext(t.Context(), "select unit from units where unit > ? order by unit", units[0]["unit"])
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		n := 0
		for rows.Next() {
			var unit string
			if err := rows.Scan(&unit); err != nil {
				t.Fatal(err)
			}
			if n++; unit != units[n]["unit"] {
				t.Errorf("row %d is %s, want %v", n, unit, units[n]["unit"])
			}
		}
		if n != len(units)-1 || rows.Err() != nil {
			t.Errorf("%d rows, want %d: %v", n, len(units)-1, rows.Err())
		}
	})
}
