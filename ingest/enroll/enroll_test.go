package enroll

import (
	"context"
	"database/sql"
	"encoding/base64"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nkeys"
	_ "modernc.org/sqlite"
)

func open(t *testing.T, path string) (*Register, *sql.DB) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	r, err := Open(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	return r, db
}

// signs answers a nonce as a NATS client does.
func signs(t *testing.T, c *Credential, nonce string) string {
	t.Helper()
	pair, err := nkeys.FromSeed([]byte(c.Seed))
	if err != nil {
		t.Fatal(err)
	}
	sig, err := pair.Sign([]byte(nonce))
	if err != nil {
		t.Fatal(err)
	}
	return base64.RawURLEncoding.EncodeToString(sig)
}

// The life of a credential, over a restart in each state.
func TestLifeOfACredential(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	r, _ := open(t, path)
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	r.now = func() time.Time { return now }
	again := func() {
		r, _ = open(t, path)
		r.now = func() time.Time { return now }
	}
	good := func(c *Credential, want bool) {
		t.Helper()
		_, err1 := r.MQTT(c.User, c.Password)
		got, err2 := r.NATS(c.Nkey, []byte("nonce"), signs(t, c, "nonce"))
		if (err1 == nil) != want || (err2 == nil) != want || want && (got.Device != c.Device || got.Inbox != c.Inbox || !r.Live(got.Key)) {
			t.Errorf("good: %v, %v, %+v; want %v", err1, err2, got, want)
		}
		if !want && (!errors.Is(err1, ErrRefused) || !errors.Is(err2, ErrRefused)) {
			t.Errorf("%v, %v", err1, err2)
		}
	}
	if r.Any() {
		t.Error("a new register is not empty")
	}
	one, err := r.Enroll(t.Context(), "dgl-1", "Rao")
	if err != nil {
		t.Fatal(err)
	}
	two, err := r.Enroll(t.Context(), "dgl-2", "Rao")
	if err != nil {
		t.Fatal(err)
	}
	if one.Inbox == two.Inbox || one.Password == two.Password || len(one.Password) < 43 { // 256 bits in base64
		t.Errorf("%+v %+v", one, two)
	}
	again()
	good(one, true)
	if _, err := r.MQTT("dgl-1", two.Password); !errors.Is(err, ErrRefused) {
		t.Errorf("another's password: %v", err)
	}
	for name, f := range map[string]func() error{
		"another's key":   func() error { _, err := r.NATS(one.Nkey, []byte("nonce"), signs(t, two, "nonce")); return err },
		"a replay":        func() error { _, err := r.NATS(one.Nkey, []byte("other"), signs(t, one, "nonce")); return err },
		"no nonce":        func() error { _, err := r.NATS(one.Nkey, nil, signs(t, one, "")); return err },
		"no key":          func() error { _, err := r.NATS("", []byte("nonce"), ""); return err },
		"no base64":       func() error { _, err := r.NATS(one.Nkey, []byte("nonce"), "!"); return err },
		"an empty secret": func() error { _, err := r.MQTT("dgl-1", ""); return err },
	} {
		if err := f(); !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.Enroll(t.Context(), "dgl-1", "Rao"); !errors.Is(err, ErrKnown) {
		t.Errorf("twice: %v", err)
	}
	newer, err := r.Rotate(t.Context(), "dgl-1", "Ines", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	again()
	good(one, true)
	good(newer, true)
	if l := r.List(); len(l) != 2 || l[0].State != "rotating" || l[1].State != "enrolled" {
		t.Errorf("%+v", l)
	}
	now = now.Add(time.Hour)
	good(one, false)
	good(newer, true)
	if err := r.Revoke(t.Context(), "dgl-1", "Ines", "stolen"); err != nil {
		t.Fatal(err)
	}
	good(newer, false)
	again()
	good(newer, false)
	if !r.Any() || r.List()[0].State != "revoked" {
		t.Errorf("%+v", r.List())
	}
	for _, f := range []func() error{
		func() error { return r.Revoke(t.Context(), "dgl-1", "Ines", "") },
		func() error { _, err := r.Rotate(t.Context(), "dgl-9", "Ines", 0); return err },
	} {
		if err := f(); !errors.Is(err, ErrUnknown) {
			t.Errorf("%v", err)
		}
	}
	if _, err := r.Enroll(t.Context(), "dgl-1", "Ines"); err != nil {
		t.Errorf("a revoked dongle comes back: %v", err)
	}
	events, err := r.History(t.Context(), "dgl-1")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range events {
		got = append(got, e.What+" "+e.Who)
	}
	if s := strings.Join(got, ", "); s != "enrolled Rao, rotated Ines, revoked Ines, enrolled Ines" {
		t.Error(s)
	}
}

// Names that could widen a subject are refused; a change needs a person; nothing of it is kept.
func TestEnrollRefuses(t *testing.T) {
	r, db := open(t, filepath.Join(t.TempDir(), "state.db"))
	for _, name := range []string{"", "*", ">", "a.b", "a b", "dgl/1", "dgl-\x00", strings.Repeat("a", 65), "ü"} {
		if _, err := r.Enroll(t.Context(), name, "Rao"); !errors.Is(err, ErrInput) {
			t.Errorf("%q: %v", name, err)
		}
	}
	if _, err := r.Enroll(t.Context(), "dgl-1", ""); err == nil {
		t.Error("nobody enrolled it")
	}
	if r.Any() {
		t.Error("something was kept")
	}
	c, err := r.Enroll(t.Context(), "dgl-1", "Rao")
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{"delete from dongle_history", "update dongle_history set who = 'x'"} {
		if _, err := db.ExecContext(context.Background(), q); err == nil || !strings.Contains(err.Error(), "only grows") {
			t.Errorf("%s: %v", q, err)
		}
	}
	// Nothing that is stored signs in.
	var stored string
	if err := db.QueryRow("select nkey || ' ' || inbox || ' ' || password_sha256 from dongle_credential").Scan(&stored); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(stored, c.Password) || strings.Contains(stored, c.Seed) {
		t.Error("a secret is stored")
	}
}
