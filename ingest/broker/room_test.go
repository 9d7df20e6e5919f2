package broker

import (
	"bytes"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// A full log refuses reports and drops none; what is committed makes room, what is not stays.
func TestMakeRoom(t *testing.T) {
	b := open(t, Config{Dir: t.TempDir(), MaxBytes: 1 << 20})
	defer closeIt(t, b)
	payload := bytes.Repeat([]byte("x"), 10<<10)
	n := uint64(0)
	for ; n < 1000; n++ {
		if _, err := b.Publish(t.Context(), "d", "", payload); err != nil {
			break
		}
	}
	if n < 90 || n > 105 {
		t.Fatalf("%d reports of 10 KiB in 1 MiB", n)
	}
	oldest := func() uint64 {
		t.Helper()
		o, err := b.Oldest(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	room := func(through uint64) {
		t.Helper()
		if err := b.MakeRoom(t.Context(), through); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct{ through, oldest uint64 }{{0, 1}, {7, 8}, {n, n/3 + 6}} {
		if room(c.through); oldest()+2 < c.oldest || oldest() > c.oldest+2 || oldest() > c.through+1 {
			t.Errorf("through %d: the oldest is %d, want about %d", c.through, oldest(), c.oldest)
		}
	}
	was := oldest()
	if room(n); oldest() != was {
		t.Error("made room where there was room")
	}
	if _, err := b.Publish(t.Context(), "d", "", payload); err != nil {
		t.Errorf("refused although there is room: %v", err)
	}
}

// The bounds of streams are no claim on the disk: where less is free than they add up to, the service starts all the same.
func TestOpen_BoundsBeyondTheDisk(t *testing.T) {
	dir := t.TempDir()
	for range 2 {
		b := open(t, Config{Dir: dir, MaxBytes: 1 << 50, AlertAge: time.Hour})
		if _, err := b.Publish(t.Context(), "d", "", []byte("x")); err != nil {
			t.Error(err)
		}
		closeIt(t, b)
	}
}

// A log of an earlier release, which dropped the oldest reports when it was full, is taken over.
func TestOpen_EarlierStream(t *testing.T) {
	dir := t.TempDir()
	b := open(t, Config{Dir: dir})
	cfg := jetstream.StreamConfig{Name: Reports, Subjects: []string{ReportSubject + "*"}, Storage: jetstream.FileStorage, Discard: jetstream.DiscardOld, AllowAtomicPublish: true}
	if err := b.js.DeleteStream(t.Context(), Reports); err != nil {
		t.Fatal(err)
	}
	if _, err := b.js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Publish(t.Context(), "d", "", []byte("x")); err != nil {
		t.Fatal(err)
	}
	closeIt(t, b)
	b = open(t, Config{Dir: dir, MaxBytes: 64 << 20})
	defer closeIt(t, b)
	info, err := b.info(t.Context(), Reports)
	if err != nil {
		t.Fatal(err)
	}
	if info.Config.Discard != jetstream.DiscardNew || info.Config.MaxBytes != 64<<20 || info.State.Msgs != 1 {
		t.Errorf("%+v %+v", info.Config, info.State)
	}
}
