package flight

import (
	"context"
	"crypto/rand"
	"fmt"
	"sync"
	"time"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/flight"
	"github.com/apache/arrow/go/v15/arrow/flight/flightsql"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"marginline/sql"
)

// A statement is one that a client prepared.
type statement struct {
	query  string
	schema *arrow.Schema
	params []sql.Param
	args   []sql.Arg
	used   time.Time
}

// prepared are the statements of all clients.
type prepared struct {
	mu   sync.Mutex
	kept map[string]*statement
}

// How many prepared statements there may be, and after which rest one may be forgotten for another.
const (
	mostPrepared = 1000
	idle         = time.Hour
)

func (p *prepared) keep(st *statement) (string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.kept) >= mostPrepared {
		for handle, x := range p.kept {
			if time.Since(x.used) > idle {
				delete(p.kept, handle)
			}
		}
	}
	if len(p.kept) >= mostPrepared {
		return "", status.Errorf(codes.ResourceExhausted, "%d statements are prepared and in use: close some", mostPrepared)
	}
	handle := rand.Text()
	st.used = time.Now()
	p.kept[handle] = st
	return handle, nil
}

// get finds a statement and gives a copy of it.
func (p *prepared) get(handle []byte) (statement, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	st := p.kept[string(handle)]
	if st == nil {
		return statement{}, status.Error(codes.NotFound, "the prepared statement is gone: it was closed, or the service was started anew; prepare it again")
	}
	st.used = time.Now()
	return *st, nil
}

func (p *prepared) set(handle []byte, args []sql.Arg) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if st := p.kept[string(handle)]; st != nil {
		st.args = args
	}
}

func (s *Server) CreatePreparedStatement(ctx context.Context, r flightsql.ActionCreatePreparedStatementRequest) (res flightsql.ActionCreatePreparedStatementResult, err error) {
	schema, params, err := s.shape(ctx, r.GetQuery())
	if err != nil {
		return res, err
	}
	handle, err := s.prepared.keep(&statement{query: r.GetQuery(), schema: schema, params: params})
	if err != nil {
		return res, err
	}
	fields := make([]arrow.Field, len(params))
	for i, p := range params {
		fields[i] = arrow.Field{Name: p.Name, Type: arrowType(p.Type), Nullable: true}
	}
	return flightsql.ActionCreatePreparedStatementResult{Handle: []byte(handle), DatasetSchema: schema, ParameterSchema: arrow.NewSchema(fields, nil)}, nil
}

func (s *Server) ClosePreparedStatement(_ context.Context, r flightsql.ActionClosePreparedStatementRequest) error {
	s.prepared.mu.Lock()
	defer s.prepared.mu.Unlock()
	delete(s.prepared.kept, string(r.GetPreparedStatementHandle()))
	return nil
}

func (s *Server) GetFlightInfoPreparedStatement(_ context.Context, q flightsql.PreparedStatementQuery, desc *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	st, err := s.prepared.get(q.GetPreparedStatementHandle())
	if err != nil {
		return nil, err
	}
	return s.info(st.schema, desc, desc.Cmd), nil
}

func (s *Server) GetSchemaPreparedStatement(_ context.Context, q flightsql.PreparedStatementQuery, _ *flight.FlightDescriptor) (*flight.SchemaResult, error) {
	st, err := s.prepared.get(q.GetPreparedStatementHandle())
	if err != nil {
		return nil, err
	}
	return &flight.SchemaResult{Schema: flight.SerializeSchema(st.schema, s.Alloc)}, nil
}

func (s *Server) DoGetPreparedStatement(ctx context.Context, q flightsql.PreparedStatementQuery) (*arrow.Schema, <-chan flight.StreamChunk, error) {
	st, err := s.prepared.get(q.GetPreparedStatementHandle())
	if err != nil {
		return nil, nil, err
	}
	return s.answer(ctx, sql.Request{Query: st.query, Args: st.args})
}

// DoPutPreparedStatementQuery takes the values of the parameters: one row, a column for each.
func (s *Server) DoPutPreparedStatementQuery(_ context.Context, q flightsql.PreparedStatementQuery, in flight.MessageReader, _ flight.MetadataWriter) error {
	st, err := s.prepared.get(q.GetPreparedStatementHandle())
	if err != nil {
		return err
	}
	var args []sql.Arg
	rows := int64(0)
	for in.Next() {
		rec := in.Record()
		if rows += rec.NumRows(); rows > 1 {
			return status.Error(codes.InvalidArgument, "more than one row of parameters: a query takes one")
		}
		if rec.NumRows() == 0 {
			continue
		}
		if int(rec.NumCols()) != len(st.params) {
			return status.Errorf(codes.InvalidArgument, "%d values for %d parameters", rec.NumCols(), len(st.params))
		}
		for i, p := range st.params { // by place: drivers name their columns as they like
			v, err := valueOf(rec.Column(i))
			if err != nil {
				return status.Errorf(codes.InvalidArgument, "parameter %s: %v", p.Name, err)
			}
			args = append(args, sql.Arg{Name: p.Name, Value: v})
		}
	}
	if err := in.Err(); err != nil {
		return status.Errorf(codes.InvalidArgument, "parameters: %v", err)
	}
	s.prepared.set(q.GetPreparedStatementHandle(), args)
	return nil
}

// valueOf is the first value of a column as a query takes it.
func valueOf(col arrow.Array) (any, error) {
	if col.Len() == 0 || col.IsNull(0) {
		return nil, nil
	}
	switch a := col.(type) {
	case *array.Null:
		return nil, nil
	case *array.Boolean:
		return a.Value(0), nil
	case *array.Int8:
		return int64(a.Value(0)), nil
	case *array.Int16:
		return int64(a.Value(0)), nil
	case *array.Int32:
		return int64(a.Value(0)), nil
	case *array.Int64:
		return a.Value(0), nil
	case *array.Uint8:
		return int64(a.Value(0)), nil
	case *array.Uint16:
		return int64(a.Value(0)), nil
	case *array.Uint32:
		return int64(a.Value(0)), nil
	case *array.Float32:
		return float64(a.Value(0)), nil
	case *array.Float64:
		return a.Value(0), nil
	case *array.String:
		return a.Value(0), nil
	case *array.LargeString:
		return a.Value(0), nil
	case *array.Date32:
		return a.Value(0).FormattedString(), nil
	case *array.Date64:
		return a.Value(0).FormattedString(), nil
	case *array.Timestamp:
		return a.Value(0).ToTime(a.DataType().(*arrow.TimestampType).Unit), nil
	case *array.DenseUnion: // how JDBC and database/sql drivers send a value of any type
		return valueAt(a.Field(a.ChildID(0)), int(a.ValueOffset(0)))
	case *array.SparseUnion:
		return valueAt(a.Field(a.ChildID(0)), 0)
	case *array.Dictionary:
		return valueAt(a.Dictionary(), a.GetValueIndex(0))
	}
	return nil, fmt.Errorf("a value of type %s is none for a query", col.DataType())
}

func valueAt(col arrow.Array, i int) (any, error) {
	one := array.NewSlice(col, int64(i), int64(i)+1)
	defer one.Release()
	return valueOf(one)
}
