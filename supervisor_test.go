package main

import (
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// Under a service manager the service says that it is ready once it is, that it is alive, and that it stops, by the
// protocol of sd_notify(3): here its other end is ours.
func TestServeTellsItsManager(t *testing.T) {
	at := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: at, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", at)
	t.Setenv("WATCHDOG_USEC", "300000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	hear := func() string {
		b := make([]byte, 200)
		if err := l.SetReadDeadline(time.Now().Add(60 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := l.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
	cfg, err := loadConfig("", nil, map[string]any{"data": filepath.Join(t.TempDir(), "d"), "web.listen": "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	served := make(chan bool, 1)
	ended := make(chan error, 1)
	go func() {
		ended <- serve(ctx, cfg, slog.New(slog.DiscardHandler), func(context.Context, *app, string) error { served <- true; return nil })
	}()
	ready, alive := false, 0
	for !ready || alive < 2 {
		switch word := hear(); word {
		case "READY=1":
			if ready || len(served) != 1 {
				t.Errorf("ready: told before %v, serving %d", ready, len(served))
			}
			ready = true
		case "WATCHDOG=1":
			alive++
		default:
			t.Fatalf("told %q", word)
		}
	}
	stop()
	for word := hear(); word != "STOPPING=1"; word = hear() {
		if word != "WATCHDOG=1" {
			t.Fatalf("told %q", word)
		}
	}
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
