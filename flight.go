package main

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"path/filepath"

	"marginline/dashboards/people"
	"marginline/sql/flight"
)

// flightSQL opens the address of Arrow Flight SQL; what it returns serves there until its context ends.
func (a *app) flightSQL() (serve func(context.Context) error, err error) {
	path := filepath.Join(a.cfg.Data, "flight-token")
	token, err := flight.LoadToken(path)
	if err != nil {
		return nil, err
	}
	if err := a.governed("sql.flight", a.cfg.SQL.Flight); err != nil {
		return nil, err
	}
	conf, err := a.cert.tls()
	if err != nil {
		return nil, err
	}
	s, err := flight.New(analyst{a}, a.flightKey(token), conf, version, a.log)
	if err != nil {
		return nil, fmt.Errorf("%w (%s)", err, path)
	}
	l, err := net.Listen("tcp", a.cfg.SQL.Flight)
	if err != nil {
		return nil, fmt.Errorf("flight sql: %w", err)
	}
	scheme := "grpc://"
	if conf != nil {
		scheme = "grpc+tls://"
	}
	a.log.Info("Arrow Flight SQL", "address", scheme+l.Addr().String(), "token", path)
	return func(ctx context.Context) error {
		if err := s.Run(ctx, l); err != nil && !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	}, nil
}

// flightKey says which tokens open Flight SQL: once people have to sign in, their API keys whose role may query; before, the
// one in the data folder, which only the owner can read.
func (a *app) flightKey(token string) func(ctx context.Context, given string) bool {
	return func(ctx context.Context, given string) bool {
		if a.people.Required() {
			c := a.people.Bearer(ctx, given)
			return c.Known() && c.May(people.Query)
		}
		return len(token) >= 16 && subtle.ConstantTimeCompare([]byte(token), []byte(given)) == 1
	}
}
