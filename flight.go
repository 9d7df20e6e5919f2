package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"

	"marginline/sql/flight"
)

// beside is what runs beside intake and watch while serving.
func (a *app) beside() ([]func(context.Context) error, error) {
	run := []func(context.Context) error{a.keepUp}
	if a.cfg.SQL.Flight == "" {
		return run, nil
	}
	path := filepath.Join(a.cfg.Data, "flight-token")
	token, err := flight.LoadToken(path)
	if err != nil {
		return nil, err
	}
	s, err := flight.New(analyst{a}, token, version, a.log)
	if err != nil {
		return nil, fmt.Errorf("%w (%s)", err, path)
	}
	l, err := net.Listen("tcp", a.cfg.SQL.Flight)
	if err != nil {
		return nil, fmt.Errorf("flight sql: %w", err)
	}
	a.log.Info("Arrow Flight SQL", "address", "grpc://"+l.Addr().String(), "token", path)
	return append(run, func(ctx context.Context) error {
		if err := s.Run(ctx, l); err != nil && !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	}), nil
}
