package lake

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"marginline/ingest/series"
)

// A platter is what a power cut leaves of a folder: the content that was synced, under the names of directories
// that were synced. Of the rest nobody knows: it may be there, in part, or not.
type platter struct {
	root    string
	now     map[string]*content            // files by path, as programs see them
	durable map[string]map[string]*content // names of each directory when it was last synced
}

type content struct {
	synced []byte // nil: never
	path   string // where it is now; "" when no name is left
}

func newPlatter(t *testing.T, root string) *platter {
	t.Helper()
	p := &platter{root: root, now: map[string]*content{}, durable: map[string]map[string]*content{}}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			p.durable[path] = map[string]*content{}
			return err
		}
		b, err := os.ReadFile(path)
		c := &content{synced: append([]byte{}, b...), path: path}
		p.now[path], p.durable[filepath.Dir(path)][path] = c, c
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// did notes a change that was made.
func (p *platter) did(op, path, to string) {
	switch op {
	case opCreate:
		p.now[path] = &content{path: path}
	case opSync:
		b, err := os.ReadFile(path)
		if err != nil {
			panic(err)
		}
		p.now[path].synced = append([]byte{}, b...)
	case opRename:
		p.now[to] = p.now[path]
		p.now[to].path = to
		delete(p.now, path)
	case opLink:
		p.now[to] = p.now[path]
	case opRemove:
		delete(p.now, path)
	case opSyncDir:
		names := map[string]*content{}
		for at, c := range p.now {
			if filepath.Dir(at) == path {
				names[at] = c
			}
		}
		p.durable[path] = names
	}
}

// cut makes the folder what it is when the power comes back. What was not synced is lost or, by chance, there.
func (p *platter) cut(t *testing.T, chance *rand.Rand) {
	t.Helper()
	after := map[string][]byte{}
	keep := func(path string, c *content) {
		b := c.synced
		if b == nil {
			whole, err := os.ReadFile(path)
			if err == nil && len(whole) > 0 && chance.IntN(2) == 0 {
				b = whole[:chance.IntN(len(whole))]
			}
		}
		after[path] = b
	}
	for _, dir := range slices.Sorted(maps.Keys(p.durable)) {
		for _, path := range slices.Sorted(maps.Keys(p.durable[dir])) {
			if now := p.now[path]; now != p.durable[dir][path] && chance.IntN(2) == 0 { // renamed over or removed, and that came to last
				if now != nil {
					keep(path, now)
				}
				continue
			}
			keep(path, p.durable[dir][path])
		}
	}
	for _, path := range slices.Sorted(maps.Keys(p.now)) { // names that are new
		if _, old := p.durable[filepath.Dir(path)][path]; !old && chance.IntN(2) == 0 {
			keep(path, p.now[path])
		}
	}
	for path := range p.now {
		os.Remove(path)
	}
	for path, b := range after {
		if err := os.WriteFile(path, b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
}

// under puts a hook under everything that the lake writes.
func under(l *Lake, hook func(op, path, to string, do func() error) error) {
	l.fs.hook = hook
	for _, tb := range l.tables {
		tb.fs.hook = hook
	}
}

// changes counts what a job changes in the file system, operation by operation.
func changes(t *testing.T, dir string, job func(*Lake) error) (ops []string) {
	t.Helper()
	l := open(t, copied(t, dir))
	under(l, func(op, path, _ string, do func() error) error {
		ops = append(ops, op+" "+filepath.Ext(path))
		return do()
	})
	if err := job(l); err != nil {
		t.Fatal(err)
	}
	under(l, nil)
	return ops
}

// faultJobs are a commit and all upkeep.
func faultJobs(t *testing.T, more []*series.Poll, seq uint64) map[string]func(*Lake) error {
	jobs := map[string]func(*Lake) error{
		"commit": func(l *Lake) error {
			if l.Rows() == 0 {
				feed(l, more, seq+1)
			}
			return l.Commit(t.Context(), Position{stream, seq + uint64(len(more))})
		},
	}
	for name, job := range upkeepJobs {
		if name != "retain" { // it changes what is to be there; its steps are those of the others
			jobs[name] = func(l *Lake) error { return job(t, l) }
		}
	}
	return jobs
}

// chosen says whether a case is run: each, or one of eleven where TEST_FAULTS is not "all" (make faults).
func chosen(k int) bool { return os.Getenv("TEST_FAULTS") == "all" || k%11 == 3 }

// The power is cut before any one change to the file system, in a commit and in all upkeep. What is there
// when it comes back opens, holds everything that was committed, once, and takes the same commit again.
func TestPowerCutAtEveryChange(t *testing.T) {
	for name := range faultJobs(t, nil, 0) {
		made, all, seq := made(t, name)
		more := batch(5000, 6)
		job := faultJobs(t, more, seq)[name]
		ops := changes(t, made, job)
		if len(ops) < 5 {
			t.Fatalf("%s: only %v", name, ops)
		}
		for k, op := range ops {
			if !chosen(k) {
				continue
			}
			t.Run(fmt.Sprintf("%s before %d %s", name, k+1, op), func(t *testing.T) {
				t.Parallel()
				dir := copied(t, made)
				l := open(t, dir)
				mem, p, n := l.mem, newPlatter(t, dir), 0
				under(l, func(op, path, to string, do func() error) error {
					if n++; n > k {
						runtime.Goexit()
					}
					err := do()
					if err == nil {
						p.did(op, path, to)
					}
					return err
				})
				gone := make(chan struct{})
				go func() {
					defer close(gone)
					job(l)
				}()
				<-gone
				l.mem = mem
				if n <= k {
					t.Fatalf("the job ended after %d changes", n)
				}
				p.cut(t, rand.New(rand.NewPCG(uint64(k), 7)))

				l = open(t, dir)
				want, got := all, l.Position().Seq
				switch {
				case got == seq:
				case name == "commit" && got == seq+uint64(len(more)): // it had come to last, unacknowledged
					want = slices.Concat(all, more)
				default:
					t.Fatalf("position %d", got)
				}
				intact(t, l, want)
				if got == seq {
					feed(l, more, seq+1)
					commit(t, l, seq+uint64(len(more)))
				}
				intact(t, open(t, dir), slices.Concat(all, more))
			})
		}
	}
}

// Any one change fails: not at all, half done as on a full disk, or done and told to have failed. The job says
// so or has come through, nothing is lost, and the next try succeeds.
func TestFaultAtEveryChange(t *testing.T) {
	kinds := map[string]func(op, path string, do func() error) error{
		"not done":          func(string, string, func() error) error { return syscall.EIO },
		"done all the same": func(_, _ string, do func() error) error { return errors.Join(do(), syscall.EIO) },
		"disk full": func(op, path string, do func() error) error {
			if op == opWrite { // half of it
				if err := do(); err != nil {
					return err
				}
				if s, err := os.Stat(path); err == nil {
					os.Truncate(path, s.Size()/2)
				}
			}
			return syscall.ENOSPC
		},
	}
	for name := range faultJobs(t, nil, 0) {
		made, all, seq := made(t, name)
		more := batch(5000, 6)
		job := faultJobs(t, more, seq)[name]
		for k, op := range changes(t, made, job) {
			for i, kind := range slices.Sorted(maps.Keys(kinds)) {
				if !chosen(k + 3*i) {
					continue
				}
				fault := kinds[kind]
				t.Run(fmt.Sprintf("%s: %d %s %s", name, k+1, op, kind), func(t *testing.T) {
					t.Parallel()
					dir := copied(t, made)
					l, n := open(t, dir), 0
					under(l, func(op, path, to string, do func() error) error {
						if n++; n == k+1 {
							return fault(op, path, do)
						}
						return do()
					})
					err := job(l)
					under(l, nil)
					if err != nil && !errors.Is(err, syscall.EIO) && !errors.Is(err, syscall.ENOSPC) {
						t.Fatalf("not told why: %v", err)
					}
					if name != "commit" {
						feed(l, more, seq+1)
					}
					if name != "commit" || err != nil {
						commit(t, l, seq+uint64(len(more)))
					}
					if name != "commit" {
						if err := job(l); err != nil {
							t.Fatal(err)
						}
					}
					same(t, fetch(t, l, nil, nil, time.Time{}), ordered(slices.Concat(all, more)))
					intact(t, open(t, dir), slices.Concat(all, more))
				})
			}
		}
	}
}
