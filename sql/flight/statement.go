package flight

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/flight"
	"github.com/apache/arrow/go/v15/arrow/flight/flightsql"
	"github.com/apache/arrow/go/v15/arrow/ipc"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"marginline/sql"
)

// shape gives the columns and the parameters of a query; nothing is run.
func (s *Server) shape(ctx context.Context, query string) (columns *arrow.Schema, params []sql.Param, err error) {
	sum, err := s.queries.Arrow(ctx, sql.Request{Query: query}, true, func(in io.Reader) error {
		r, err := ipc.NewReader(in)
		if err != nil {
			return err
		}
		defer r.Release()
		columns = r.Schema()
		return nil
	})
	return columns, sum.Params, s.told(err)
}

// answer runs a query. It returns when the columns are known; the batches follow as they come.
func (s *Server) answer(ctx context.Context, r sql.Request) (*arrow.Schema, <-chan flight.StreamChunk, error) {
	r.OnWait = func(ahead int) { // headers go out once: the first place in the queue is told
		_ = grpc.SendHeader(ctx, metadata.Pairs("marginline-note", fmt.Sprintf("waiting for a turn, %d queries ahead", ahead)))
	}
	r.OnPin = func(p sql.Pinned) {
		_ = grpc.SetTrailer(ctx, metadata.Pairs("marginline-snapshot", fmt.Sprint(p.SnapshotID)))
	}
	begun := make(chan *arrow.Schema, 1)
	failed := make(chan error, 1)
	out := make(chan flight.StreamChunk)
	go func() {
		defer close(out)
		started := false
		sum, err := s.queries.Arrow(ctx, r, false, func(in io.Reader) error {
			rd, err := ipc.NewReader(in)
			if err != nil {
				return err
			}
			defer rd.Release()
			started = true
			begun <- rd.Schema()
			for rd.Next() {
				rec := rd.Record()
				rec.Retain() // the server releases what it has sent
				select {
				case out <- flight.StreamChunk{Data: rec}:
				case <-ctx.Done():
					rec.Release()
					return ctx.Err()
				}
			}
			if err := rd.Err(); err != nil && !errors.Is(err, io.EOF) {
				return err
			}
			return nil
		})
		if err == nil && sum.Truncated {
			err = status.Errorf(codes.ResourceExhausted, "the answer has more than %d rows, the most that one query gives: narrow it, or sum up in it", sum.Rows)
		}
		switch {
		case err == nil:
		case !started:
			failed <- s.told(err)
		default:
			select {
			case out <- flight.StreamChunk{Err: s.told(err)}:
			case <-ctx.Done():
			}
		}
	}()
	select {
	case schema := <-begun:
		return schema, out, nil
	case err := <-failed:
		return nil, nil, err
	case <-ctx.Done():
		return nil, nil, s.told(ctx.Err())
	}
}

// info tells a client where to fetch what a descriptor asks for: here.
func (s *Server) info(schema *arrow.Schema, desc *flight.FlightDescriptor, ticket []byte) *flight.FlightInfo {
	i := &flight.FlightInfo{FlightDescriptor: desc, TotalRecords: -1, TotalBytes: -1, Endpoint: []*flight.FlightEndpoint{{Ticket: &flight.Ticket{Ticket: ticket}}}}
	if schema != nil {
		i.Schema = flight.SerializeSchema(schema, s.Alloc)
	}
	return i
}

func (s *Server) GetFlightInfoStatement(ctx context.Context, q flightsql.StatementQuery, desc *flight.FlightDescriptor) (*flight.FlightInfo, error) {
	schema, _, err := s.shape(ctx, q.GetQuery())
	if err != nil {
		return nil, err
	}
	ticket, err := flightsql.CreateStatementQueryTicket([]byte(q.GetQuery()))
	if err != nil {
		return nil, s.told(err)
	}
	return s.info(schema, desc, ticket), nil
}

func (s *Server) GetSchemaStatement(ctx context.Context, q flightsql.StatementQuery, _ *flight.FlightDescriptor) (*flight.SchemaResult, error) {
	schema, _, err := s.shape(ctx, q.GetQuery())
	if err != nil {
		return nil, err
	}
	return &flight.SchemaResult{Schema: flight.SerializeSchema(schema, s.Alloc)}, nil
}

func (s *Server) DoGetStatement(ctx context.Context, t flightsql.StatementQueryTicket) (*arrow.Schema, <-chan flight.StreamChunk, error) {
	return s.answer(ctx, sql.Request{Query: string(t.GetStatementHandle())})
}
