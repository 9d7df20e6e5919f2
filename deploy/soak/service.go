package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// A service is the program under test, running.
type service struct {
	binary, data string
	web, nats    string // addresses
	log          string // file of its log
	cmd          *exec.Cmd
	ended        chan error
	http         *http.Client

	window time.Duration // how far back versions of the tables are counted
	marks  []mark        // in the last window, and the one before

	looked time.Time // when it was last looked at, and the processor seconds that it had used then
	used   float64
}

// A mark is how many versions of the tables there had been at a moment.
type mark struct {
	after   time.Duration
	version int
}

// startService imports the roster, starts the service and waits until it is ready.
func startService(ctx context.Context, o options, f *feed) (*service, error) {
	s := &service{
		binary: o.binary, data: filepath.Join(o.dir, "data"), log: filepath.Join(o.dir, "service.log"),
		window: o.settled() / 2, ended: make(chan error, 1), http: &http.Client{Timeout: 10 * time.Second},
	}
	if _, err := os.Stat(s.data); err == nil {
		return nil, fmt.Errorf("%s exists: a soak begins with an empty data folder", s.data)
	}
	var roster bytes.Buffer
	if err := f.roster(&roster); err != nil {
		return nil, err
	}
	path := filepath.Join(o.dir, "roster.csv")
	if err := os.WriteFile(path, roster.Bytes(), 0o640); err != nil {
		return nil, err
	}
	if out, err := exec.CommandContext(ctx, s.binary, "import", "--data", s.data, "--roster", path).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("import of the roster: %w\n%s", err, out)
	}
	ports, err := freePorts(2)
	if err != nil {
		return nil, err
	}
	s.web, s.nats = ports[0], "nats://"+ports[1]
	w, err := os.Create(s.log)
	if err != nil {
		return nil, err
	}
	defer w.Close()
	s.cmd = exec.Command(s.binary, "serve", "--data", s.data, "--listen", ports[0], "--broker-listen", ports[1])
	s.cmd.Env = append(os.Environ(), "MARGINLINE_FLUSH_EVERY=2s", "MARGINLINE_LAKE_EVERY="+o.merge.String(), "MARGINLINE_LAKE_GRACE=10m",
		"MARGINLINE_LAKE_SNAPSHOTS=10", "MARGINLINE_LAKE_SNAPSHOT_AGE=1m")
	s.cmd.Stdout, s.cmd.Stderr = w, w
	s.looked = time.Now()
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { s.ended <- s.cmd.Wait() }()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(100 * time.Millisecond) {
		if r, err := s.http.Get("http://" + s.web + "/readyz"); err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return s, nil
			}
		}
		select {
		case err := <-s.ended:
			return nil, errors.Join(fmt.Errorf("the service did not start: %w", err), s.tail())
		default:
		}
		if time.Now().After(deadline) || ctx.Err() != nil {
			s.kill()
			return nil, errors.Join(errors.New("the service was not ready within a minute"), s.tail())
		}
	}
}

// freePorts finds addresses that nobody uses at the moment.
func freePorts(n int) ([]string, error) {
	var addrs []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		defer l.Close()
		addrs = append(addrs, l.Addr().String())
	}
	return addrs, nil
}

// settle waits until everything published is committed and returns how many reports are stored.
func (s *service) settle(ctx context.Context, f *feed) (stored int, err error) {
	for deadline := time.Now().Add(2 * time.Minute); ; {
		if stored, err = s.count(ctx); err != nil || stored == f.distinct() || time.Now().After(deadline) {
			return stored, err
		}
		select {
		case <-ctx.Done():
			return stored, ctx.Err()
		case <-time.After(2 * time.Second):
		}
	}
}

func (s *service) count(ctx context.Context) (int, error) {
	out, err := exec.CommandContext(ctx, s.binary, "sql", "--data", s.data, "-o", "json", "select count(*) as n from reports").Output()
	if err != nil {
		return 0, fmt.Errorf("count of reports: %w", err)
	}
	var rows []struct{ N int }
	if err := json.Unmarshal(out, &rows); err != nil || len(rows) != 1 {
		return 0, fmt.Errorf("count of reports: %q: %w", out, err)
	}
	return rows[0].N, nil
}

// run runs a command on the service's data folder.
func (s *service) run(ctx context.Context, words ...string) ([]byte, error) {
	out, err := exec.CommandContext(ctx, s.binary, append(words, "--data", s.data)...).CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%s: %w", strings.Join(words, " "), err)
	}
	return out, err
}

// end stops the service as an operator does and lets it prove its lake.
func (s *service) end(ctx context.Context) error {
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case err := <-s.ended:
		if err != nil {
			return errors.Join(fmt.Errorf("the service did not end in good order: %w", err), s.tail())
		}
	case <-time.After(time.Minute):
		s.kill()
		return errors.Join(errors.New("the service did not end within a minute"), s.tail())
	}
	if out, err := s.run(ctx, "lake", "verify"); err != nil {
		return fmt.Errorf("%w\n%s", err, out)
	}
	return nil
}

// kill ends a service that still runs; it is harmless afterwards.
func (s *service) kill() { s.cmd.Process.Kill() }

// tail is the end of the service's log, as an error.
func (s *service) tail() error {
	b, err := os.ReadFile(s.log)
	if err != nil {
		return err
	}
	var lines []string
	for sc := bufio.NewScanner(bytes.NewReader(b)); sc.Scan(); {
		lines = append(lines, sc.Text())
	}
	return errors.New("the service's log ends:\n" + strings.Join(lines[max(0, len(lines)-20):], "\n"))
}
