package people

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"
	_ "modernc.org/sqlite"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const phrase = "a lamp beside the ramp"

// A desk is a register with a clock that the test turns.
type desk struct {
	*Register
	path string
	at   time.Time
	logs bytes.Buffer
}

func open(t *testing.T) *desk {
	t.Helper()
	d := &desk{path: filepath.Join(t.TempDir(), "state.db"), at: time.Date(2026, 5, 18, 6, 0, 0, 0, time.UTC)}
	d.reopen(t)
	return d
}

func (d *desk) reopen(t *testing.T) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+d.path+"?_pragma=journal_mode(WAL)&_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	r, err := Open(t.Context(), db, DefaultConfig(), slog.New(slog.NewTextHandler(&d.logs, &slog.HandlerOptions{Level: slog.LevelDebug})), prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	r.SetClock(func() time.Time { return d.at })
	d.Register = r
}

func (d *desk) add(t *testing.T, name string, role Role, depots ...string) {
	t.Helper()
	if made, err := d.Add(t.Context(), "test", Person{Name: name, Role: role, Depots: depots}, phrase); err != nil || made != "" {
		t.Fatal(name, made, err)
	}
}

func (d *desk) enters(t *testing.T, name, password string) string {
	t.Helper()
	tok, err := d.SignIn(t.Context(), name, password, "192.0.2.7")
	if err != nil {
		t.Fatal(name, err)
	}
	return tok
}

func TestFirstAndLastAdministrator(t *testing.T) {
	d, ctx := open(t), t.Context()
	if d.Required() || d.Governed() {
		t.Error("an empty register asks for a sign-in")
	}
	if _, err := d.Add(ctx, "test", Person{Name: "wes", Role: Viewer}, phrase); !errors.Is(err, ErrInput) {
		t.Errorf("the first person is a viewer: %v", err)
	}
	d.add(t, "Odalys", Administrator)
	if !d.Required() || !d.Governed() {
		t.Error("an administrator is listed and nobody has to sign in")
	}
	for what, err := range map[string]error{"disabled": d.Disable(ctx, "test", "odalys"), "another role": d.SetRole(ctx, "test", "odalys", Manager, nil)} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("the last administrator got %s: %v", what, err)
		}
	}
	d.add(t, "tomas", Administrator)
	// Two who would disable each other at once: one of them stays.
	var both sync.WaitGroup
	for _, name := range []string{"odalys", "tomas"} {
		both.Go(func() { _ = d.Disable(ctx, "test", name) })
	}
	both.Wait()
	if !d.Governed() {
		t.Error("nobody is left to administer")
	}
	for _, bad := range []Person{{Name: "", Role: Viewer}, {Name: "a b", Role: Viewer}, {Name: "../x", Role: Viewer}, {Name: "<b>", Role: Viewer}, {Name: "odalys", Role: Viewer}, {Name: "x", Role: "root"}, {Name: "x", Role: Shop}, {Name: "x", Role: Viewer, Depots: []string{"North"}}} {
		if _, err := d.Add(ctx, "test", bad, phrase); !errors.Is(err, ErrInput) {
			t.Errorf("%+v was taken: %v", bad, err)
		}
	}
}

func TestSessions(t *testing.T) {
	d, ctx := open(t), t.Context()
	d.add(t, "odalys", Administrator)
	d.add(t, "bay2", Shop, "Harbor Road")
	tok := d.enters(t, "BAY2", phrase)
	c := d.Session(ctx, tok, true)
	if !c.Known() || c.Name != "bay2" || !c.May(Work) || c.May(Look|Query|Decide|Manage) || !c.Sees("Harbor Road") || c.Sees("North") || c.Sees("") {
		t.Errorf("%+v", c)
	}
	if other := d.enters(t, "bay2", phrase); other == tok {
		t.Error("two sign-ins have one token")
	}
	if d.Session(ctx, "", true) != nil || d.Session(ctx, strings.Repeat("A", 43), true) != nil || d.Session(ctx, tok[1:]+"A", true) != nil {
		t.Error("a token that nobody was given holds")
	}
	// Used every eleven hours it lasts for the longest time and no longer, over a restart too.
	for range 14 {
		d.at = d.at.Add(11 * time.Hour)
		if d.Session(ctx, tok, true) == nil {
			t.Fatal("a session that is used ended")
		}
	}
	d.reopen(t)
	if d.Session(ctx, tok, true) == nil {
		t.Error("a restart ended the session")
	}
	d.at = d.at.Add(15 * time.Hour)
	if d.Session(ctx, tok, true) != nil {
		t.Error("a session outlived its longest time")
	}
	tok = d.enters(t, "bay2", phrase)
	d.at = d.at.Add(11 * time.Hour)
	if d.Session(ctx, tok, false) == nil {
		t.Error("ended too early")
	}
	d.at = d.at.Add(2 * time.Hour)
	if d.Session(ctx, tok, false) != nil {
		t.Error("listening for news kept a session alive")
	}
	// What ends every session of a person.
	for what, do := range map[string]func() error{
		"a new role":     func() error { return d.SetRole(ctx, "odalys", "bay2", Shop, []string{"North"}) },
		"a new password": func() error { _, err := d.ResetPassword(ctx, "odalys", "bay2", phrase); return err },
		"disabled":       func() error { return errors.Join(d.Disable(ctx, "odalys", "bay2"), d.Enable(ctx, "odalys", "bay2")) },
	} {
		a, b := d.enters(t, "bay2", phrase), d.enters(t, "bay2", phrase)
		if err := do(); err != nil {
			t.Fatal(what, err)
		}
		if d.Session(ctx, a, true) != nil || d.Session(ctx, b, true) != nil {
			t.Errorf("%s left a session", what)
		}
		d.reopen(t)
		if d.Session(ctx, a, true) != nil {
			t.Errorf("%s: a restart brought the session back", what)
		}
	}
	if err := d.Disable(ctx, "odalys", "bay2"); err != nil {
		t.Fatal(err)
	}
	if _, err := d.SignIn(ctx, "bay2", phrase, "192.0.2.8"); !errors.Is(err, ErrDenied) {
		t.Errorf("a disabled person signs in: %v", err)
	}
	tok = d.enters(t, "odalys", phrase)
	if err := d.SignOut(ctx, d.Session(ctx, tok, true)); err != nil || d.Session(ctx, tok, true) != nil {
		t.Error("signed out and still in", err)
	}
	for range mostSessions + 5 {
		if _, err := d.enter(ctx, "odalys", "192.0.2.7", d.people["odalys"].password, ""); err != nil {
			t.Fatal(err)
		}
	}
	d.mu.RLock()
	if n := len(d.sessions); n > mostSessions {
		t.Errorf("%d sessions are held", n)
	}
	d.mu.RUnlock()
}

func TestOwnPassword(t *testing.T) {
	d, ctx := open(t), t.Context()
	d.add(t, "odalys", Administrator)
	made, err := d.Add(ctx, "odalys", Person{Name: "wes", Role: Analyst}, "")
	if err != nil || len(made) < 20 {
		t.Fatal(made, err)
	}
	tok := d.enters(t, "wes", made)
	c := d.Session(ctx, tok, true)
	if !c.Temporary {
		t.Error("a password that somebody else knows need not be changed")
	}
	for _, bad := range [][2]string{{"wrong one altogether", "another phrase of mine"}, {made, made}, {made, "short"}} {
		if _, err := d.ChangePassword(ctx, c, bad[0], bad[1], "192.0.2.9"); !errors.Is(err, ErrInput) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	again, err := d.ChangePassword(ctx, c, made, "another phrase of mine", "192.0.2.10")
	if err != nil {
		t.Fatal(err)
	}
	if d.Session(ctx, tok, true) != nil {
		t.Error("the session of the old password goes on")
	}
	if c := d.Session(ctx, again, true); !c.Known() || c.Temporary {
		t.Errorf("%+v", c)
	}
	if _, err := d.SignIn(ctx, "wes", made, "192.0.2.11"); !errors.Is(err, ErrDenied) {
		t.Errorf("the old password holds: %v", err)
	}
}

// Wrong tries wait longer and longer; neither the address nor the name alone locks anybody else out.
func TestWrongSignInsSlowDown(t *testing.T) {
	l, now := newLimit(), time.Date(2026, 5, 18, 6, 0, 0, 0, time.UTC)
	var waits []time.Duration
	for range 16 {
		for {
			w := l.begin("wes", "192.0.2.1", now)
			if w == 0 {
				break
			}
			waits = append(waits, w)
			now = now.Add(w)
		}
	}
	if len(waits) != 13 || waits[0] != time.Second || waits[3] != 8*time.Second || waits[12] != 15*time.Minute {
		t.Errorf("waits %v", waits)
	}
	if w := l.begin("wes", "192.0.2.2", now); w != 0 {
		t.Errorf("the person's own address waits %v for what another did", w)
	}
	for i := range 40 {
		l.begin("name"+string(rune('a'+i%26))+string(rune('a'+i/26)), "192.0.2.3", now)
	}
	if w := l.begin("someone", "192.0.2.3", now); w == 0 {
		t.Error("an address may try any number of names")
	}
	for i := range 200 {
		l.begin("odalys", "198.51.100."+string(rune('a'+i%26))+string(rune('a'+i/26)), now)
	}
	if w := l.begin("odalys", "203.0.113.5", now); w == 0 || w > time.Minute {
		t.Errorf("a name that many addresses try waits %v: want more than nothing and a minute at most", w)
	}
	if w := l.begin("wes", "192.0.2.1", now.Add(2*time.Hour)); w != 0 {
		t.Errorf("a quiet hour does not forget: %v", w)
	}
	l = newLimit()
	for i := range 10 * mostTries / 10 {
		l.begin("n", "192.0.2."+time.Duration(i).String(), now.Add(time.Duration(i)*time.Millisecond))
	}
	if len(l.seen) > mostTries+3 {
		t.Errorf("%d keys are held", len(l.seen))
	}
}

func TestRightSignInIsNotSlowed(t *testing.T) {
	d := open(t)
	d.add(t, "odalys", Administrator)
	for range 3 {
		if _, err := d.SignIn(t.Context(), "odalys", "wrong", "192.0.2.7"); !errors.Is(err, ErrDenied) {
			t.Fatal(err)
		}
	}
	var slow Slowed
	if _, err := d.SignIn(t.Context(), "odalys", phrase, "192.0.2.7"); !errors.As(err, &slow) || slow.Wait > time.Second {
		t.Errorf("after three wrong tries: %v", err)
	}
	d.at = d.at.Add(2 * time.Second)
	d.enters(t, "odalys", phrase)
	d.enters(t, "odalys", phrase) // the right one forgot the wrong ones
}

// A name that nobody has takes the same way through the hash as one that somebody has, and says the same.
func TestUnknownNamesCostTheSame(t *testing.T) {
	d := open(t)
	d.add(t, "odalys", Administrator)
	_, known := d.SignIn(t.Context(), "odalys", "wrong", "192.0.2.1")
	_, unknown := d.SignIn(t.Context(), "nobody-here", "wrong", "192.0.2.2")
	if known == nil || unknown == nil || known.Error() != unknown.Error() {
		t.Errorf("%v and %v", known, unknown)
	}
	d.hashing <- struct{}{} // nothing more can be hashed: both have to wait for it
	d.hashing <- struct{}{}
	for _, name := range []string{"odalys", "nobody-here", "no name at all/"} {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := d.SignIn(ctx, name, "wrong", "192.0.2.3"); !errors.Is(err, ErrBusy) {
			t.Errorf("%s did not need a hash: %v", name, err)
		}
	}
}

func TestKeys(t *testing.T) {
	d, ctx := open(t), t.Context()
	d.add(t, "odalys", Administrator)
	d.add(t, "ana", Analyst)
	d.add(t, "bay2", Shop, "Harbor Road")
	in := func(days int) time.Time { return d.at.AddDate(0, 0, days) }
	key, err := d.AddKey(ctx, "ana", "ana", "notebook", Analyst, in(30))
	if err != nil {
		t.Fatal(err)
	}
	c := d.Bearer(ctx, key)
	if !c.Known() || !c.Key || c.Name != "ana (key notebook)" || !c.May(Query) || c.May(Decide|Work|Manage) {
		t.Errorf("%+v", c)
	}
	for _, bad := range []struct {
		owner string
		role  Role
		ends  time.Time
	}{{"ana", Manager, in(30)}, {"ana", Administrator, in(30)}, {"odalys", Administrator, in(30)}, {"bay2", Viewer, in(30)}, {"ana", Shop, in(30)}, {"ana", Viewer, in(0)}, {"ana", Viewer, in(400)}, {"nobody", Viewer, in(1)}} {
		if _, err := d.AddKey(ctx, "x", bad.owner, "x", bad.role, bad.ends); err == nil {
			t.Errorf("%+v was given", bad)
		}
	}
	admins, err := d.AddKey(ctx, "odalys", "odalys", "orders", Manager, in(30))
	if err != nil {
		t.Fatal(err)
	}
	if c := d.Bearer(ctx, admins); !c.May(Decide) || c.May(Manage) {
		t.Errorf("%+v", c)
	}
	phone, err := d.AddKey(ctx, "bay2", "bay2", "phone", Shop, in(30))
	if err != nil {
		t.Fatal(err)
	}
	if c := d.Bearer(ctx, phone); c.Sees("North") || !c.Sees("Harbor Road") || !c.Bound() {
		t.Errorf("%+v", c)
	}
	for _, bad := range []string{"", "mlk_", key[:len(key)-1], key + "x", strings.Replace(key, "mlk_", "", 1), "mlk_" + d.Keys("bay2")[0].ID + key[strings.LastIndex(key, "_"):]} {
		if d.Bearer(ctx, bad) != nil {
			t.Errorf("%q opens", bad)
		}
	}
	// A key never has more than its owner has now.
	if err := d.SetRole(ctx, "odalys", "ana", Viewer, nil); err != nil {
		t.Fatal(err)
	}
	if c := d.Bearer(ctx, key); c.May(Query) || !c.May(Look) {
		t.Errorf("the key of a former analyst: %+v", c)
	}
	if err := d.Disable(ctx, "odalys", "ana"); err != nil || d.Bearer(ctx, key) != nil {
		t.Error("the key of a disabled person opens", err)
	}
	if err := d.Enable(ctx, "odalys", "ana"); err != nil {
		t.Fatal(err)
	}
	if err := d.Revoke(ctx, "bay2", "bay2", d.Keys("ana")[0].ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("somebody revoked another's key: %v", err)
	}
	if err := d.Revoke(ctx, "ana", "ana", d.Keys("ana")[0].ID); err != nil || d.Bearer(ctx, key) != nil {
		t.Error("a revoked key opens", err)
	}
	d.at = d.at.Add(time.Hour)
	d.Bearer(ctx, admins) // stores its use
	d.reopen(t)
	if d.Bearer(ctx, key) != nil {
		t.Error("a restart brought a revoked key back")
	}
	if k := d.Keys("odalys")[0]; !k.LastUsed.Equal(d.at) {
		t.Errorf("last used %v, want %v", k.LastUsed, d.at)
	}
	d.at = in(31)
	if d.Bearer(ctx, admins) != nil {
		t.Error("a key outlived its end")
	}
}

// The record takes new rows only, and names a person and a time for each.
func TestChangesAreKept(t *testing.T) {
	d, ctx := open(t), t.Context()
	d.add(t, "odalys", Administrator)
	d.add(t, "wes", Viewer)
	d.enters(t, "wes", phrase)
	if err := d.SetRole(ctx, "odalys", "wes", Analyst, nil); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(d.InForce(ctx, "a"), d.InForce(ctx, "a"), d.InForce(ctx, "b")); err != nil {
		t.Fatal(err)
	}
	list, err := d.Changes(ctx, 100)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range list {
		if c.Who == "" || !c.At.Equal(d.at) {
			t.Errorf("%+v", c)
		}
		got = append(got, c.Who+": "+c.What+" "+c.About)
	}
	want := "configuration: settings service|configuration: settings service|odalys: role changed wes|wes: signed in wes|test: person added wes|test: person added odalys"
	if s := strings.Join(got, "|"); s != want {
		t.Errorf("%s\nwant %s", s, want)
	}
	for _, q := range []string{"update changes set who = 'x'", "delete from changes", "update changes set at = '' where seq = 1"} {
		if _, err := d.db.ExecContext(ctx, q); err == nil {
			t.Errorf("%s was done", q)
		}
	}
}

// Nothing that opens anything is in the log or the database.
func TestSecretsAreNotKept(t *testing.T) {
	d, ctx := open(t), t.Context()
	d.add(t, "odalys", Administrator)
	made, err := d.Add(ctx, "odalys", Person{Name: "wes", Role: Viewer}, "")
	if err != nil {
		t.Fatal(err)
	}
	tok := d.enters(t, "odalys", phrase)
	key, err := d.AddKey(ctx, "odalys", "odalys", "x", Viewer, d.at.AddDate(0, 0, 1))
	if err != nil {
		t.Fatal(err)
	}
	d.Bearer(ctx, key)
	d.Session(ctx, tok, true)
	_, _ = d.SignIn(ctx, "a phrase typed as the name", "what was meant as the name", "192.0.2.1")
	_, _ = d.SignIn(ctx, "typed-in-the-wrong-field", "x", "192.0.2.2")
	var stored []byte
	for _, f := range []string{d.path, d.path + "-wal"} {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		stored = append(stored, b...)
	}
	if !bytes.Contains(stored, []byte("odalys")) || !strings.Contains(d.logs.String(), "sign-in refused") {
		t.Fatal("this test looks in the wrong places")
	}
	_, secret, _ := strings.Cut(strings.TrimPrefix(key, keyMark), "_")
	for _, s := range []string{phrase, made, tok, key, secret, "a phrase typed as the name", "what was meant", "typed-in-the-wrong-field"} {
		if bytes.Contains(stored, []byte(s)) {
			t.Errorf("%q is in the database", s)
		}
		if strings.Contains(d.logs.String(), s) {
			t.Errorf("%q is in the log", s)
		}
	}
}
