package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"marginline/ingest/lake"
	query "marginline/sql"
)

// snapshotHeader names the state of the lake that an answer comes from.
const snapshotHeader = "Marginline-Snapshot"

// analyst runs the SQL of people: from the command line, the pages and other tools alike.
type analyst struct{ app *app }

// Write runs a query and writes its answer. A state of the past is asked for by asOf, or by a leading AS OF.
func (a analyst) Write(ctx context.Context, r query.Request, asOf, form string, w io.Writer) (query.Summary, error) {
	return a.past(&r, asOf, func(src source) (query.Summary, error) { return a.app.engine.Write(ctx, src, r, form, w) })
}

// Rows is Write for a sink of rows.
func (a analyst) Rows(ctx context.Context, r query.Request, asOf string, to query.Sink) (query.Summary, error) {
	return a.past(&r, asOf, func(src source) (query.Summary, error) { return a.app.engine.Rows(ctx, src, r, to) })
}

// Arrow is Write for a reader of one Arrow IPC stream; with shape it holds no rows.
func (a analyst) Arrow(ctx context.Context, r query.Request, shape bool, take func(io.Reader) error) (query.Summary, error) {
	return a.past(&r, "", func(src source) (query.Summary, error) {
		if shape {
			return a.app.engine.Shape(ctx, src, r, take)
		}
		return a.app.engine.Arrow(ctx, src, r, take)
	})
}

// Load is how many queries run and how many wait.
func (a analyst) Load() (running, waiting int) { return a.app.engine.Load() }

// past runs a query over the state that it asks for, and notes what of its answer is not of that state.
func (a analyst) past(r *query.Request, asOf string, run func(source) (query.Summary, error)) (query.Summary, error) {
	src, err := a.source(r, asOf)
	if err != nil {
		return query.Summary{}, err
	}
	var notes []string
	src.notes = &notes
	sum, err := run(src)
	sum.Notes = append(sum.Notes, notes...)
	return sum, err
}

// source is the state that a query sees; a leading AS OF is taken off its text.
func (a analyst) source(r *query.Request, asOf string) (source, error) {
	rest, as, err := query.CutAsOf(r.Query)
	if err != nil {
		return source{}, err
	}
	r.Query = rest
	if asOf != "" {
		if !as.IsZero() {
			return source{}, errors.New("the query says AS OF, and so does its setting: give one")
		}
		if as, err = query.ParseAsOf(asOf); err != nil {
			return source{}, err
		}
	}
	return source{app: a.app, asOf: as}, nil
}

// pinPast pins a state of the past.
func (s source) pinPast() (*lake.Pinned, error) {
	p, err := s.app.lake.PinPast(lake.Past{Snapshot: s.asOf.Snapshot, At: s.asOf.At})
	if errors.Is(err, lake.ErrNotKept) {
		return nil, &query.Error{Kind: query.KindInvalid, Message: err.Error(), Hint: "how many snapshots are kept, and for how long, is set by lake.snapshots and lake.snapshot_age"}
	}
	return p, err
}

func (a *app) answerSQL(w http.ResponseWriter, r *http.Request) error {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("query: %w", err)
	}
	req := query.Request{Query: string(body), OnWait: func(ahead int) {
		w.Header().Set(noteHeader, waitWords(ahead))
		w.WriteHeader(http.StatusProcessing)
		w.Header().Del(noteHeader)
	}, OnPin: func(p query.Pinned) { w.Header().Set(snapshotHeader, pinWords(p)) }}
	for _, p := range r.URL.Query()["param"] {
		name, value, ok := strings.Cut(p, "=")
		if !ok {
			return fmt.Errorf("--param %s: want NAME=VALUE", p)
		}
		req.Args = append(req.Args, query.Arg{Name: name, Value: value})
	}
	w.Header().Set("Trailer", noteHeader)
	sum, err := analyst{a}.Write(r.Context(), req, r.URL.Query().Get("as-of"), r.URL.Query().Get("form"), w)
	if err != nil {
		return err
	}
	notes := sum.Notes
	if sum.Truncated {
		notes = append(notes, fmt.Sprintf("only the first %d rows are given; narrow the query, or raise sql.rows", sum.Rows))
	}
	if len(notes) > 0 {
		w.Header().Set(noteHeader, strings.Join(notes, "; "))
	}
	return nil
}

func waitWords(ahead int) string {
	switch ahead {
	case 0:
		return "waiting for a turn: this query is the next"
	case 1:
		return "waiting for a turn: 1 query is ahead"
	}
	return fmt.Sprintf("waiting for a turn: %d queries are ahead", ahead)
}

func pinWords(p query.Pinned) string {
	return fmt.Sprintf("%d committed %s", p.SnapshotID, p.CommittedAt.UTC().Format("2006-01-02T15:04:05.000Z"))
}
