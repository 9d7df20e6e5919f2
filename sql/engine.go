package sql

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// An Engine runs queries in worker processes. Its methods may be called at the same time.
type Engine struct {
	config Config
	log    *slog.Logger
	shut   bool // the fence that is wanted is missing: only queries of the program itself run
	queue  queue

	mu     sync.Mutex
	idle   []*process
	closed bool
}

// Open checks the limits and the fence. The first query starts the first worker; workers live until Close, or
// until one has to be killed. Where the fence that is wanted is missing, Open warns, and people's queries are refused.
func Open(c Config, log *slog.Logger) (*Engine, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	e := &Engine{config: c.orDefault(), log: log}
	e.queue.free = e.config.Parallel
	if e.config.TempDir != "" { // what a killed service left
		left, err := filepath.Glob(filepath.Join(e.config.TempDir, tempPrefix+"*"))
		if err != nil {
			return nil, fmt.Errorf("sql: temp folder: %w", err)
		}
		for _, dir := range left {
			if err := os.RemoveAll(dir); err != nil {
				return nil, fmt.Errorf("sql: temp folder: %w", err)
			}
		}
	}
	words, ok := Fence()
	switch {
	case ok:
		log.Debug("SQL runs in a process that can read nothing but the lake", "fence", words)
	case e.config.Fence == FenceRequired:
		log.Warn(noFence.Message, "do", noFence.Hint)
		e.shut, e.config.Fence = true, FencePreferred
	default:
		log.Warn("SQL runs behind the weaker fence: no kernel confines its process", "fence", words, "policy", e.config.Fence)
	}
	return e, nil
}

// Close ends the workers. Queries must have returned.
func (e *Engine) Close() error {
	e.mu.Lock()
	idle := e.idle
	e.idle, e.closed = nil, true
	e.mu.Unlock()
	for _, p := range idle {
		p.kill()
	}
	return nil
}

// Query runs one query of the program itself over a pin of its own and keeps up to Config.MaxRows rows. It
// runs even where the fence that people's queries need is missing. A query that is wrong or refused gives an
// *Error; a context that ends gives its error.
func (e *Engine) Query(ctx context.Context, src Source, query string) (*Result, error) {
	r := &Result{}
	var err error
	r.Summary, err = e.run(ctx, src, Request{Query: query, Rows: e.config.MaxRows}, false, func(in io.Reader) error { return pourRows(in, keeper{r}) })
	if err != nil {
		return nil, err
	}
	return r, nil
}

// Stream runs one query like Query and passes up to Config.MaxStream rows to the sink, none kept.
func (e *Engine) Stream(ctx context.Context, src Source, query string, to Sink) (Summary, error) {
	return e.Rows(ctx, src, Request{Query: query}, to)
}

// Rows runs a query and passes its rows to a sink.
func (e *Engine) Rows(ctx context.Context, src Source, r Request, to Sink) (Summary, error) {
	return e.Arrow(ctx, src, r, func(in io.Reader) error { return pourRows(in, to) })
}

// Shape gives the parameters of a query in Summary.Params and its columns as a stream without rows.
func (e *Engine) Shape(ctx context.Context, src Source, r Request, take func(io.Reader) error) (Summary, error) {
	if e.shut {
		return Summary{}, noFence
	}
	return e.run(ctx, src, r, true, take)
}

// Arrow runs a query and hands its answer to take as one Arrow IPC stream, in the stream format that every
// Arrow library reads. What take does not read is dropped.
func (e *Engine) Arrow(ctx context.Context, src Source, r Request, take func(io.Reader) error) (Summary, error) {
	if e.shut {
		return Summary{}, noFence
	}
	return e.run(ctx, src, r, false, take)
}

func (e *Engine) run(ctx context.Context, src Source, r Request, shape bool, take func(io.Reader) error) (sum Summary, err error) {
	q, err := ask(r)
	if err != nil {
		return sum, fmt.Errorf("sql: parameters: %w", err)
	}
	q.Shape = shape
	if q.Rows <= 0 || q.Rows > e.config.MaxStream {
		q.Rows = e.config.MaxStream
	}
	came := time.Now()
	if err := e.queue.enter(ctx, r.OnWait); err != nil {
		return sum, err
	}
	defer e.queue.leave()
	began := time.Now()
	ctx, cancel := context.WithTimeoutCause(ctx, e.config.Timeout, errTooLong)
	defer cancel()
	for {
		p, err := e.take(ctx)
		if err != nil {
			return sum, e.stopped(ctx, err)
		}
		sum, err = e.guarded(ctx, p, src, q, r.OnPin, take)
		// A worker that served before and died idle is not this query's fault; a new one tells.
		if !errors.Is(err, errSilent) {
			return e.ended(sum, err, came, began)
		}
	}
}

// ended notes how long a query took.
func (e *Engine) ended(sum Summary, err error, came, began time.Time) (Summary, error) {
	sum.Elapsed, sum.Waited = time.Since(began), began.Sub(came)
	if err == nil {
		e.log.Debug("query answered", "rows", sum.Rows, "elapsed", sum.Elapsed, "waited", sum.Waited, "truncated", sum.Truncated)
	}
	return sum, err
}

// guarded asks a worker under the eyes of the limits: a context that ends and too much memory kill it.
func (e *Engine) guarded(ctx context.Context, p *process, src Source, q question, told func(Pinned), take func(io.Reader) error) (Summary, error) {
	stop := context.AfterFunc(ctx, func() { _ = p.cmd.Process.Kill() })
	watched, unwatch := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(watched)
		e.watch(p, unwatch)
	}()
	sum, err := p.answer(ctx, src, q, told, take)
	stopped := stop()
	close(unwatch)
	<-watched
	switch {
	case ctx.Err() != nil || !stopped:
		p.kill()
		if err != nil {
			return sum, e.stopped(ctx, err)
		}
	case p.over.Load():
		p.kill()
		if err != nil {
			return sum, &Error{Kind: KindMemory, Message: fmt.Sprintf("the query was stopped: its process held more than %d MB", e.config.MaxProcess>>20), Hint: memoryHint}
		}
	case errors.Is(err, errBroken):
		words := p.lastWords()
		p.kill()
		if errors.Is(err, errSilent) && p.served > 1 {
			return sum, errSilent
		}
		e.log.Error("a query ended its worker", "err", err, "said", words)
		return sum, &Error{Kind: KindCrashed, Message: "the process that ran the query broke down; nothing else was harmed", Hint: "write the query another way; what it said is in the log of the service"}
	case fatal(err):
		p.kill()
	default:
		e.give(p)
	}
	return sum, err
}

// fatal says whether DuckDB is of no more use after an error.
func fatal(err error) bool {
	var own *Error
	return err != nil && !errors.As(err, &own) && strings.Contains(err.Error(), "sql: duckdb: ")
}

// watch kills a process that holds more memory than it may, until told to stop.
func (e *Engine) watch(p *process, stop <-chan struct{}) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
			held, err := memoryOf(p.cmd.Process.Pid)
			if err != nil {
				return
			}
			if held > e.config.MaxProcess {
				p.over.Store(true)
				_ = p.cmd.Process.Kill()
				return
			}
		}
	}
}

// stopped gives the reason where an error comes from the end of the context.
func (e *Engine) stopped(ctx context.Context, err error) error {
	switch {
	case errors.Is(context.Cause(ctx), errTooLong):
		return &Error{Kind: KindTimeout, Message: fmt.Sprintf("the query was stopped after %v", e.config.Timeout), Hint: timeHint}
	case ctx.Err() != nil:
		return ctx.Err()
	}
	return err
}

var errTooLong = errors.New("query over its time")

// Bounds after which a worker is replaced: what it holds between questions is of no use.
const (
	mostServed = 500
	mostHeld   = 512 << 20
)

// take gives an idle worker, or starts one.
func (e *Engine) take(ctx context.Context) (*process, error) {
	for {
		e.mu.Lock()
		if e.closed {
			e.mu.Unlock()
			return nil, errors.New("sql: the engine is closed")
		}
		n := len(e.idle)
		if n == 0 {
			e.mu.Unlock()
			return start(ctx, e.config)
		}
		p := e.idle[n-1]
		e.idle = e.idle[:n-1]
		e.mu.Unlock()
		if !p.dead() {
			return p, nil
		}
		p.kill()
	}
}

// give takes a worker back.
func (e *Engine) give(p *process) {
	held, err := memoryOf(p.cmd.Process.Pid)
	e.mu.Lock()
	keep := !e.closed && p.served < mostServed && (err != nil || held < mostHeld)
	if keep {
		e.idle = append(e.idle, p)
	}
	e.mu.Unlock()
	if !keep {
		p.kill()
	}
}

// Load is how many queries run and how many wait for their turn.
func (e *Engine) Load() (running, waiting int) { return e.queue.load(e.config.Parallel) }
