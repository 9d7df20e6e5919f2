package dashboards

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"marginline/sql"
)

func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == sql.WorkerCommand { // the test binary is its own worker
		os.Exit(sql.Worker(os.Stdin, os.Stdout))
	}
	goleak.VerifyTestMain(m)
}

// serve runs the site on a free port until the test ends or stop is called.
func serve(t *testing.T, s *site) (base string, stop func() error) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, l) }()
	return "http://" + l.Addr().String(), func() error { cancel(); return <-done }
}

func TestEventsTellWhatChanged(t *testing.T) {
	s := open(t, market(), marketBook(t))
	base, stop := serve(t, s)
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	res, err := client.Get(base + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if ct := res.Header.Get("Content-Type"); ct != "text/event-stream" {
		t.Errorf("Content-Type %q", ct)
	}
	lines := bufio.NewScanner(res.Body)
	next := func(prefix string) string {
		for lines.Scan() {
			if rest, ok := strings.CutPrefix(lines.Text(), prefix); ok {
				return rest
			}
		}
		t.Fatalf("the stream ended before %q: %v", prefix, lines.Err())
		return ""
	}
	if got := next("event: "); got != "welcome" {
		t.Errorf("first event %q, want welcome", got)
	}
	s.Changed("217", "408", "217")
	if got := next("event: "); got != "changed" {
		t.Errorf("event %q, want changed", got)
	}
	if got := next("data: "); got != `["217","408"]` {
		t.Errorf("data %s", got)
	}
	s.Changed(hostile + "\n\nevent: x")
	if got := next("data: "); strings.Contains(got, "\n") || !strings.Contains(got, `\n\nevent`) {
		t.Errorf("a unit's name broke the stream: %s", got)
	}
	// An open stream does not hold up the end of the service.
	began := time.Now()
	if err := stop(); err != nil {
		t.Errorf("stop: %v", err)
	}
	if d := time.Since(began); d > 5*time.Second {
		t.Errorf("stopping took %v with an open stream", d)
	}
	if _, err := io.ReadAll(res.Body); err != nil {
		t.Errorf("the stream should end cleanly: %v", err)
	}
}

func TestSlowClientsAreDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHub()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); h.run(ctx) }()
		slow, _ := h.join()
		for range hubBacklog + 2 {
			h.changed("217")
			time.Sleep(hubPace)
			synctest.Wait()
		}
		got := 0
		for range slow {
			got++
		}
		if got != hubBacklog {
			t.Errorf("%d messages before the end, want %d", got, hubBacklog)
		}
		if len(h.clients) != 0 {
			t.Error("the slow client is still there")
		}
		cancel()
		<-done
		if _, ok := h.join(); ok {
			t.Error("a client joined a hub that has ended")
		}
	})
}

func TestChangesOfOneSecondAreOneEvent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHub()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); h.run(ctx) }()
		c, _ := h.join()
		for range 1000 {
			h.changed("217")
		}
		h.changed("9")
		time.Sleep(10 * hubPace)
		synctest.Wait()
		if n := len(c); n > 2 {
			t.Errorf("%d events for the changes of one moment, want 1 or 2", n)
		}
		cancel()
		<-done
	})
}

func TestRunSaysWhatFailed(t *testing.T) {
	s := open(t, market(), marketBook(t))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if err := s.Run(t.Context(), l); err == nil || !strings.Contains(err.Error(), "web server on 127.0.0.1") {
		t.Errorf("a dead listener: %v", err)
	}
}
