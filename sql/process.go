package sql

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// A process is the outer side of one worker. It serves one question at a time.
type process struct {
	cmd    *exec.Cmd
	c      *wire
	life   *os.File // its other end is read by the worker, which ends when this one closes
	in     io.Closer
	temp   string
	said   *beginning // what it wrote to stderr
	ended  chan struct{}
	over   atomic.Bool // killed for its memory
	served int
	once   sync.Once
}

// startTimeout is generous: a loaded machine may need seconds to read the program from disk.
const startTimeout = 60 * time.Second

// start runs a worker and waits until it has locked itself in and opened DuckDB.
func start(ctx context.Context, c Config) (p *process, err error) {
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	p = &process{said: &beginning{most: 300}, ended: make(chan struct{})}
	defer func() {
		if err != nil {
			p.kill()
		}
	}()
	if c.TempDir != "" {
		if err := os.MkdirAll(c.TempDir, 0o700); err != nil {
			return p, fmt.Errorf("sql: temp folder: %w", err)
		}
	}
	if p.temp, err = os.MkdirTemp(c.TempDir, tempPrefix); err != nil {
		return p, fmt.Errorf("sql: temp folder: %w", err)
	}
	command := c.Command
	if len(command) == 0 {
		self, err := os.Executable()
		if err != nil {
			return p, fmt.Errorf("sql: worker: %w", err)
		}
		command = []string{self, WorkerCommand}
	}
	p.cmd = exec.Command(command[0], command[1:]...)
	p.cmd.Env = []string{} // nothing to read there
	p.cmd.Dir = p.temp
	p.cmd.Stderr = p.said
	apart(p.cmd)
	in, err := p.cmd.StdinPipe()
	if err != nil {
		return p, fmt.Errorf("sql: worker: %w", err)
	}
	p.in = in
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return p, fmt.Errorf("sql: worker: %w", err)
	}
	widen(out)
	theirs, ours, err := os.Pipe()
	if err != nil {
		return p, fmt.Errorf("sql: worker: %w", err)
	}
	p.life, p.cmd.ExtraFiles = ours, []*os.File{theirs}
	err = p.cmd.Start()
	theirs.Close()
	if err != nil {
		return p, fmt.Errorf("sql: worker: %w", err)
	}
	go func() {
		// The answer is read to its end by whoever asked, or the process was killed: nothing is lost by Wait.
		_, _ = p.cmd.Process.Wait()
		close(p.ended)
	}()
	defer context.AfterFunc(ctx, func() { _ = p.cmd.Process.Kill() })()
	p.c = newWire(out, in)
	lake := c.Lake
	if lake != "" {
		if lake, err = filepath.Abs(lake); err != nil {
			return p, fmt.Errorf("sql: lake: %w", err)
		}
	}
	temp, err := filepath.Abs(p.temp) // the worker stands in that folder
	if err != nil {
		return p, fmt.Errorf("sql: worker: %w", err)
	}
	err = p.c.send(frameStart, settings{Memory: c.MemoryLimit, TempSize: c.TempSize, Temp: temp, Lake: lake, Threads: c.Threads, Fence: c.Fence})
	if err == nil {
		err = p.ready()
	}
	if err != nil && ctx.Err() != nil {
		err = fmt.Errorf("sql: worker: %w", context.Cause(ctx))
	}
	return p, err
}

// tempPrefix begins the name of every worker's folder.
const tempPrefix = "sql-worker-"

func (p *process) ready() error {
	kind, body, err := p.c.get()
	if err != nil {
		return fmt.Errorf("sql: worker did not start: %w%s", err, p.lastWords())
	}
	if kind == frameFailed {
		return p.failure(body, nil)
	}
	var s started
	if err := json.Unmarshal(body, &s); err != nil || kind != frameReady {
		return fmt.Errorf("sql: worker did not start: frame %q: %w", kind, err)
	}
	return nil
}

// kill ends the process, whatever it does, and removes its folder.
func (p *process) kill() {
	p.once.Do(func() {
		if p.life != nil {
			p.life.Close()
		}
		if p.in != nil {
			p.in.Close()
		}
		if p.cmd != nil && p.cmd.Process != nil {
			_ = p.cmd.Process.Kill()
			<-p.ended
			p.cmd.Stdout = nil
		}
		if p.temp != "" {
			_ = os.RemoveAll(p.temp)
		}
	})
}

// dead says whether the process has ended.
func (p *process) dead() bool {
	select {
	case <-p.ended:
		return true
	default:
		return false
	}
}

func (p *process) lastWords() string {
	if s := strings.TrimSpace(p.said.String()); s != "" {
		return ": " + s
	}
	return ""
}

// commitPoint is the table of the lake whose snapshot names the state of all.
const commitPoint = "reports"

// answer asks one question. It serves the worker's requests to the source and hands the answer's Arrow
// stream to take, which reads as much of it as it likes.
func (p *process) answer(ctx context.Context, src Source, q question, told func(Pinned), take func(io.Reader) error) (sum Summary, err error) {
	p.served++
	if err := p.c.send(frameAsk, q); err != nil {
		return sum, fmt.Errorf("%w: %w", errSilent, p.broke(err))
	}
	heard := false
	var snap Snapshot
	defer func() {
		if snap != nil {
			snap.Release()
		}
	}()
	for {
		kind, n, err := p.c.head()
		if err != nil && !heard {
			return sum, fmt.Errorf("%w: %w", errSilent, p.broke(err))
		}
		if err != nil {
			return sum, p.broke(err)
		}
		heard = true
		var body []byte
		if kind != frameArrow {
			body = make([]byte, n)
			if _, err := io.ReadFull(p.c.r, body); err != nil {
				return sum, p.broke(err)
			}
		}
		switch kind {
		case framePin:
			if snap != nil {
				return sum, errors.New("sql: the worker pins twice")
			}
			var views []string
			if err := json.Unmarshal(body, &views); err != nil {
				return sum, fmt.Errorf("sql: the worker pins %q: %w", body, err)
			}
			if snap, err = src.Pin(ctx, views); err != nil {
				return sum, p.sourceFailed(from("sql: pin", err))
			}
			tables := snap.Tables()
			for _, t := range tables {
				if t.Name == commitPoint && t.SnapshotID != 0 && told != nil {
					told(Pinned{t.Name, t.SnapshotID, t.CommittedAt})
				}
			}
			if err := p.c.send(frameTables, tables); err != nil {
				return sum, p.broke(err)
			}
		case frameSmall:
			var name string
			if err := json.Unmarshal(body, &name); err != nil || snap == nil {
				return sum, fmt.Errorf("sql: the worker asks for %q: %w", body, err)
			}
			if err := p.small(ctx, snap, name); err != nil {
				return sum, err
			}
		case frameArrow:
			a := &arrowReader{c: p.c, left: n}
			err := take(a)
			if rest := a.drain(); err == nil && rest != nil {
				err = p.broke(rest)
			} else if a.err != nil {
				err = p.broke(a.err)
			}
			if a.kind == frameFailed {
				return sum, p.failure(a.body, err)
			}
			if err != nil {
				return sum, err
			}
			return sum, p.done(a.kind, a.body, &sum)
		case frameFailed:
			return sum, p.failure(body, nil)
		default:
			return sum, fmt.Errorf("sql: the worker sends a frame %q", kind)
		}
	}
}

func (p *process) done(kind byte, body []byte, sum *Summary) error {
	if kind != frameDone {
		return fmt.Errorf("sql: the worker ends an answer with a frame %q", kind)
	}
	return json.Unmarshal(body, sum)
}

// small sends a small table.
func (p *process) small(ctx context.Context, snap Snapshot, name string) error {
	rows, err := snap.Small(ctx, name)
	if err != nil {
		return p.sourceFailed(from("sql: table "+name, err))
	}
	if err := p.c.send(frameHead, rows.Columns); err != nil {
		return p.broke(err)
	}
	var body []byte
	n := 0
	if rows.Rows != nil {
		for row := range rows.Rows {
			if n++; len(row) != len(rows.Columns) {
				err = fmt.Errorf("row %d has %d values: want %d", n, len(row), len(rows.Columns))
				break
			}
			if body, err = appendRow(body, row); err != nil {
				err = fmt.Errorf("row %d: %w", n, err)
				break
			}
			if len(body) > 1<<20 {
				if err := p.c.put(frameRows, body); err != nil {
					return p.broke(err)
				}
				body = body[:0]
			}
			if n%4096 == 0 && ctx.Err() != nil {
				err = ctx.Err()
				break
			}
		}
	}
	if err == nil && rows.Err != nil {
		if err = rows.Err(); err != nil {
			err = fmt.Errorf("after %d rows: %w", n, err)
		}
	}
	if err != nil {
		return p.sourceFailed(from("sql: table "+name, err))
	}
	if err := p.c.put(frameRows, body); err != nil {
		return p.broke(err)
	}
	if err := p.c.send(frameEnd, nil); err != nil {
		return p.broke(err)
	}
	return nil
}

// from says where an error comes from, where it is not a person's.
func from(place string, err error) error {
	var own *Error
	if errors.As(err, &own) {
		return own
	}
	return fmt.Errorf("%s: %w", place, err)
}

// sourceFailed tells the worker to give up and takes its last word of that question.
func (p *process) sourceFailed(err error) error {
	if e := p.c.send(frameFailed, nil); e != nil {
		return errors.Join(err, p.broke(e))
	}
	if e := p.c.want(frameFailed, nil); e != nil {
		return errors.Join(err, p.broke(e))
	}
	return err
}

// failure is the error that the worker reported; given what the reader of the answer said.
func (p *process) failure(body []byte, reader error) error {
	var f failed
	if err := json.Unmarshal(body, &f); err != nil {
		return fmt.Errorf("sql: the worker failed: %w", err)
	}
	if f.Kind != "" {
		return &Error{Kind: f.Kind, Message: f.Message, Hint: f.Hint}
	}
	return errors.Join(errors.New(f.Message), reader)
}

// errBroken marks an error after which a worker is of no more use.
var errBroken = errors.New("the worker is gone")

// errSilent marks a worker that was gone before it said anything to a question.
var errSilent = errors.New("no word from it")

func (p *process) broke(err error) error { return fmt.Errorf("sql: %w: %w", errBroken, err) }

// A beginning keeps the first bytes written to it: of a crash, the cause; the stacks after it help nobody.
type beginning struct {
	mu   sync.Mutex
	most int
	b    []byte
}

func (t *beginning) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, p[:min(len(p), t.most-len(t.b))]...)
	return len(p), nil
}

func (t *beginning) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.b)
}
