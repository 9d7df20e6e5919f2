package sql

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
)

// settings is what a worker is told at its start.
type settings struct {
	Memory, TempSize, Temp, Lake string
	Threads                      int
	Fence                        Policy
}

// started is what a worker says when it is ready.
type started struct{ Fence string }

// failed is an error on its way out of a worker.
type failed struct {
	Kind          Kind // "" = not the person's error
	Message, Hint string
	Source        bool // the source failed: the service has the error itself
}

func failure(err error) failed {
	var e *Error
	if errors.As(err, &e) {
		return failed{Kind: e.Kind, Message: e.Message, Hint: e.Hint}
	}
	return failed{Message: err.Error(), Source: errors.Is(err, errSource)}
}

// Worker runs the inner side of the fence: it locks itself in, opens DuckDB and answers questions that come
// in on stdin, on stdout, until stdin ends. Programs whose Config.Command is their own call it for the
// command WorkerCommand before they open anything. It returns the exit code.
func Worker(stdin io.Reader, stdout io.Writer) int {
	go func() { // the service holds the other end of this pipe: when it is gone, so is the worker
		_, _ = os.NewFile(3, "life").Read(make([]byte, 1))
		os.Exit(1)
	}()
	c := newWire(stdin, stdout)
	var s settings
	if err := c.want(frameStart, &s); err != nil {
		fmt.Fprintln(os.Stderr, "sql worker: not started by the service:", err)
		return 2
	}
	fence, err := lockIn(s)
	if err != nil {
		_ = c.send(frameFailed, failure(err))
		return 1
	}
	w, err := openWorker(Config{MemoryLimit: s.Memory, Threads: s.Threads, TempDir: s.Temp, TempSize: s.TempSize})
	if err != nil {
		_ = c.send(frameFailed, failure(err))
		return 1
	}
	defer w.close()
	if err := c.send(frameReady, started{fence}); err != nil {
		return 1
	}
	for {
		var q question
		if err := c.want(frameAsk, &q); err != nil {
			if err == io.EOF {
				return 0
			}
			return 1
		}
		src := &remote{c: c}
		out := bufio.NewWriterSize(arrowFrames{c}, 256<<10)
		sum, err := w.run(context.Background(), src, q, &arrowOut{to: out})
		if err == nil {
			err = out.Flush()
		}
		if e := src.drain(); e != nil {
			return 1
		}
		if err != nil {
			err = c.send(frameFailed, failure(err))
		} else {
			err = c.send(frameDone, sum)
		}
		if err != nil {
			return 1
		}
	}
}

// errSource marks what failed outside.
var errSource = errors.New("the source failed")

// remote is the Source of a worker: it asks the service.
type remote struct {
	c      *wire
	tables []Table
	unread bool // rows are coming that nobody has taken
}

func (r *remote) Pin(_ context.Context, views []string) (Snapshot, error) {
	if err := r.c.send(framePin, views); err != nil {
		return nil, err
	}
	return r, r.answer(frameTables, &r.tables)
}

// answer reads a frame of a kind, or the one that says that the service failed.
func (r *remote) answer(kind byte, into any) error {
	got, body, err := r.c.get()
	switch {
	case err != nil:
		return err
	case got == frameFailed:
		return errSource
	case got != kind:
		return fmt.Errorf("got a frame %q: want %q", got, kind)
	}
	return json.Unmarshal(body, into)
}

func (r *remote) Tables() []Table { return r.tables }

// Small reads rows as they come.
func (r *remote) Small(_ context.Context, name string) (Rows, error) {
	var rows Rows
	if err := r.drain(); err != nil {
		return rows, err
	}
	if err := r.c.send(frameSmall, name); err != nil {
		return rows, err
	}
	if err := r.answer(frameHead, &rows.Columns); err != nil {
		return rows, err
	}
	r.unread = true
	var broken error
	rows.Err = func() error { return broken }
	rows.Rows = func(yield func([]any) bool) {
		for r.unread {
			in, err := r.frame()
			if err != nil {
				broken = err
				return
			}
			for row := in.row(); row != nil; row = in.row() {
				if !yield(row) {
					return
				}
			}
			if broken = in.err; broken != nil {
				return
			}
		}
	}
	return rows, nil
}

// frame reads the next frame of rows; the last one is empty.
func (r *remote) frame() (rowReader, error) {
	kind, body, err := r.c.get()
	switch {
	case err != nil:
		return rowReader{}, err
	case kind == frameRows:
		return rowReader{b: body}, nil
	}
	r.unread = false
	switch kind {
	case frameEnd:
		return rowReader{}, nil
	case frameFailed:
		return rowReader{}, errSource
	}
	return rowReader{}, fmt.Errorf("got a frame %q: want rows", kind)
}

// drain reads on to the end of rows that were not all taken.
func (r *remote) drain() error {
	for r.unread {
		if _, err := r.frame(); err != nil && !errors.Is(err, errSource) {
			return err
		}
	}
	return nil
}

func (r *remote) Release() {}
