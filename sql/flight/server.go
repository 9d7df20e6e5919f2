package flight

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"

	"github.com/apache/arrow/go/v15/arrow/flight"
	"github.com/apache/arrow/go/v15/arrow/flight/flightsql"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"marginline/sql"
)

// Queries runs SQL. With shape the stream holds no rows, and the summary the parameters.
type Queries interface {
	Arrow(ctx context.Context, r sql.Request, shape bool, take func(io.Reader) error) (sql.Summary, error)
}

// A Server answers Flight SQL calls.
type Server struct {
	flightsql.BaseServer
	queries  Queries
	log      *slog.Logger
	admits   func(ctx context.Context, token string) bool
	tls      *tls.Config
	prepared prepared
}

// New makes a server that asks of every token whether it is admitted. conf encrypts, where it is given; version is what the
// server says of itself.
func New(queries Queries, admits func(ctx context.Context, token string) bool, conf *tls.Config, version string, log *slog.Logger) (*Server, error) {
	s := &Server{queries: queries, log: log, admits: admits, tls: conf, prepared: prepared{kept: map[string]*statement{}}}
	s.Alloc = memory.DefaultAllocator
	for id, value := range map[flightsql.SqlInfo]any{
		flightsql.SqlInfoFlightSqlServerName:         "marginline",
		flightsql.SqlInfoFlightSqlServerVersion:      version,
		flightsql.SqlInfoFlightSqlServerArrowVersion: "15.0.2",
		flightsql.SqlInfoFlightSqlServerReadOnly:     true,
		flightsql.SqlInfoFlightSqlServerSql:          true,
		flightsql.SqlInfoFlightSqlServerSubstrait:    false,
		flightsql.SqlInfoFlightSqlServerTransaction:  int32(0), // none
		flightsql.SqlInfoDDLCatalog:                  false,
		flightsql.SqlInfoDDLSchema:                   false,
		flightsql.SqlInfoDDLTable:                    false,
		flightsql.SqlInfoIdentifierQuoteChar:         `"`,
		flightsql.SqlInfoIdentifierCase:              int64(1), // without regard to case
	} {
		if err := s.RegisterSqlInfo(id, value); err != nil {
			return nil, fmt.Errorf("flight: %w", err)
		}
	}
	return s, nil
}

// Run serves on l until ctx ends, then lets calls under way end.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	opts := []grpc.ServerOption{grpc.UnaryInterceptor(s.unary), grpc.StreamInterceptor(s.stream), grpc.MaxRecvMsgSize(4 << 20)}
	if s.tls != nil {
		opts = append(opts, grpc.Creds(credentials.NewTLS(s.tls)))
	}
	srv := grpc.NewServer(opts...)
	flight.RegisterFlightServiceServer(srv, flightsql.NewFlightServer(s))
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	select {
	case err := <-ended:
		return fmt.Errorf("flight: %s: %w", l.Addr(), err)
	case <-ctx.Done():
		srv.Stop() // a query under way is cancelled: the service is going down
		return <-ended
	}
}

// told turns an error into what a client is told.
func (s *Server) told(err error) error {
	var own *sql.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &own):
		code, known := map[sql.Kind]codes.Code{sql.KindTimeout: codes.DeadlineExceeded, sql.KindMemory: codes.ResourceExhausted,
			sql.KindCrashed: codes.Aborted, sql.KindClosed: codes.FailedPrecondition, sql.KindRefused: codes.PermissionDenied}[own.Kind]
		if !known {
			code = codes.InvalidArgument
		}
		return status.Error(code, own.Error())
	case errors.Is(err, context.Canceled):
		return status.Error(codes.Canceled, "the query was cancelled")
	case errors.Is(err, context.DeadlineExceeded):
		return status.Error(codes.DeadlineExceeded, "the call was over its time")
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	s.log.Error("flight sql", "err", err)
	return status.Error(codes.Internal, "the service could not answer; the reason is in its log")
}
