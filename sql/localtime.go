package sql

import (
	"database/sql/driver"
	"fmt"
	"sync"
	"time"
	_ "time/tzdata" // the zones go with the binary

	"github.com/marcboeker/go-duckdb"
)

// localTime is local_time(ts TIMESTAMP, zone VARCHAR) -> TIMESTAMP: the wall clock in an IANA time zone
// at a UTC time. NULL in, NULL out; an unknown zone is an error.
type localTime struct {
	config duckdb.ScalarFuncConfig
	mu     sync.RWMutex
	zones  map[string]*time.Location // loading one takes 40 microseconds: once a name
}

func newLocalTime() (*localTime, error) {
	ts, err := duckdb.NewTypeInfo(duckdb.TYPE_TIMESTAMP)
	if err != nil {
		return nil, err
	}
	text, err := duckdb.NewTypeInfo(duckdb.TYPE_VARCHAR)
	if err != nil {
		return nil, err
	}
	return &localTime{
		config: duckdb.ScalarFuncConfig{InputTypeInfos: []duckdb.TypeInfo{ts, text}, ResultTypeInfo: ts},
		zones:  map[string]*time.Location{},
	}, nil
}

// Config gives DuckDB the signature.
func (l *localTime) Config() duckdb.ScalarFuncConfig { return l.config }

// Executor gives DuckDB the function.
func (l *localTime) Executor() duckdb.ScalarFuncExecutor {
	return duckdb.ScalarFuncExecutor{RowExecutor: func(in []driver.Value) (any, error) {
		at, ok := in[0].(time.Time)
		name, ok2 := in[1].(string)
		if !ok || !ok2 {
			return nil, nil
		}
		zone, err := l.zone(name)
		if err != nil {
			return nil, err
		}
		y, m, d := at.In(zone).Date()
		h, min, s := at.In(zone).Clock()
		return time.Date(y, m, d, h, min, s, at.Nanosecond(), time.UTC), nil
	}}
}

func (l *localTime) zone(name string) (*time.Location, error) {
	l.mu.RLock()
	zone := l.zones[name]
	l.mu.RUnlock()
	if zone != nil {
		return zone, nil
	}
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("local_time: %q is not a time zone: want an IANA name such as Europe/Berlin", name)
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("local_time: %q is not a time zone: want an IANA name such as Europe/Berlin", name)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.zones[name] = zone
	return zone, nil
}
