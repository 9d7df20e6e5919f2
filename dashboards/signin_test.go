package dashboards

import (
	"bytes"
	"database/sql"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"marginline/alerts"
	"marginline/dashboards/people"
)

const dockPhrase = "seven lamps along the dock"

// signedSite is the site with people; logs takes what it writes.
func signedSite(t *testing.T, logs io.Writer) *site {
	t.Helper()
	return signedSiteOf(t, market(), marketBook(t), logs)
}

func signedSiteOf(t *testing.T, y *yard, b *alerts.Book, logs io.Writer) *site {
	t.Helper()
	s := open(t, y, b)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "people.db")+"?_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	log, reg := slog.New(slog.NewTextHandler(logs, &slog.HandlerOptions{Level: slog.LevelDebug})), prometheus.NewRegistry()
	r, err := people.Open(t.Context(), db, people.DefaultConfig(), log, reg)
	if err != nil {
		t.Fatal(err)
	}
	r.SetClock(func() time.Time { return today })
	deps := s.deps
	deps.People, deps.Metrics = r, promhttp.HandlerFor(reg, promhttp.HandlerOpts{})
	if s.Server, err = New(s.cfg, deps, log); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *site) list(t *testing.T, name string, role people.Role) {
	t.Helper()
	if _, err := s.deps.People.Add(t.Context(), "test", people.Person{Name: name, Role: role}, dockPhrase); err != nil {
		t.Fatal(err)
	}
}

// send makes a request with cookies and gives the answer.
func (s *site) send(method, path, body string, cookies ...*http.Cookie) *http.Response {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = "127.0.0.1:8470"
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w.Result()
}

func typed(pairs ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v.Encode()
}

func cookieOf(t *testing.T, res *http.Response, name string) *http.Cookie {
	t.Helper()
	for _, c := range res.Cookies() {
		if c.Name == name && c.MaxAge >= 0 {
			return c
		}
	}
	t.Fatalf("no cookie %s in %v (status %d)", name, res.Cookies(), res.StatusCode)
	return nil
}

func TestSignInMakesASessionOfItsOwn(t *testing.T) {
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	// A token that somebody planted in the browser before does not become the session, known or not.
	planted := &http.Cookie{Name: "session", Value: strings.Repeat("P", 43)}
	res := s.send("POST", "/sign-in", typed("name", "odalys", "password", dockPhrase, "next", "/units?depot=x"), planted)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/units?depot=x" {
		t.Fatal(res.StatusCode, res.Header)
	}
	first := cookieOf(t, res, "session")
	if first.Value == planted.Value || !first.HttpOnly || first.SameSite != http.SameSiteLaxMode || first.Path != "/" || first.Secure {
		t.Errorf("%+v", first)
	}
	if res := s.send("GET", "/units", "", planted); res.StatusCode != http.StatusSeeOther {
		t.Errorf("the planted token opens: %d", res.StatusCode)
	}
	// The same for the session of another: signing in ends it in this browser.
	second := cookieOf(t, s.send("POST", "/sign-in", typed("name", "odalys", "password", dockPhrase), first), "session")
	if second.Value == first.Value || s.send("GET", "/units", "", first).StatusCode != http.StatusSeeOther || s.send("GET", "/units", "", second).StatusCode != http.StatusOK {
		t.Error("the session of before goes on, or the new one does not hold")
	}
	out := s.send("POST", "/sign-out", "", second)
	if out.StatusCode != http.StatusSeeOther || s.send("GET", "/units", "", second).StatusCode != http.StatusSeeOther {
		t.Error("signed out and still in")
	}
	for _, bad := range [][2]string{{"odalys", "wrong"}, {"nobody", dockPhrase}, {"", ""}, {"odalys", strings.Repeat("x", 5000)}} {
		res := s.send("POST", "/sign-in", typed("name", bad[0], "password", bad[1]))
		if res.StatusCode != http.StatusUnauthorized && res.StatusCode != http.StatusTooManyRequests || len(res.Cookies()) > 0 {
			t.Errorf("%q: %d %v", bad[0], res.StatusCode, res.Cookies())
		}
	}
	for _, next := range []string{"//elsewhere.example/", "https://elsewhere.example/", `/\elsewhere.example`, "javascript:alert(1)", "", "/%2f/elsewhere.example"} {
		if to := homeward(next); strings.HasPrefix(to, "//") || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, `/\`) {
			t.Errorf("next %q leads to %q", next, to)
		}
	}
}

func TestSecureCookieUnderTLS(t *testing.T) {
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	srv := httptest.NewTLSServer(s.Handler())
	defer srv.Close()
	client := srv.Client()
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	res, err := client.PostForm(srv.URL+"/sign-in", url.Values{"name": {"odalys"}, "password": {dockPhrase}})
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if c := cookieOf(t, res, "__Host-session"); !c.Secure || c.Domain != "" || c.Path != "/" || !c.HttpOnly {
		t.Errorf("%+v", c)
	}
}

// Nothing that opens anything reaches the log or the metrics, on any way in.
func TestSecretsAreInNoLogOrMetric(t *testing.T) {
	var logs bytes.Buffer
	s := signedSite(t, &logs)
	s.list(t, "odalys", people.Administrator)
	session := cookieOf(t, s.send("POST", "/sign-in", typed("name", "odalys", "password", dockPhrase)), "session")
	s.send("POST", "/sign-in", typed("name", "a-name-that-is-a-password", "password", "a password of nobody"))
	s.send("POST", "/sign-in", typed("name", "odalys", "password", "nearly the right one"))
	b, _ := io.ReadAll(s.send("POST", "/account/keys", typed("label", "test", "role", "viewer", "days", "3"), session).Body)
	_, rest, ok := strings.Cut(string(b), "<code>mlk_")
	key, _, _ := strings.Cut(rest, "</code>")
	if key = "mlk_" + key; !ok || len(key) < 50 {
		t.Fatalf("no key was shown: %s", b)
	}
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Host = "127.0.0.1"
	r.Header.Set("Authorization", "Bearer "+key)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	metrics := w.Body.String()
	if w.Code != 200 || !strings.Contains(metrics, `marginline_sign_ins_total{result="done"} 1`) || !strings.Contains(logs.String(), "sign-in refused") {
		t.Fatalf("this test looks in the wrong places: %d %s %s", w.Code, metrics, logs.String())
	}
	page, _ := io.ReadAll(s.send("GET", "/people", "", session).Body)
	again, _ := io.ReadAll(s.send("GET", "/account", "", session).Body)
	for _, secret := range []string{dockPhrase, session.Value, key, "a-name-that-is-a-password", "a password of nobody", "nearly the right one", "$argon2id$"} {
		for where, text := range map[string]string{"log": logs.String(), "metrics": metrics, "people page": string(page), "account page": string(again)} {
			if strings.Contains(text, secret) {
				t.Errorf("%q is in the %s", secret, where)
			}
		}
	}
}

// A pipe is a listener without a network, so that time can be turned.
type pipe struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipe) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p *pipe) Close() error   { close(p.done); return nil }
func (p *pipe) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

// Who sends the head or the body of a request a byte now and then is cut off, and holds nobody else up.
func TestSlowRequestsAreCutOff(t *testing.T) {
	s := open(t, newYard(), empty(t))
	synctest.Test(t, func(t *testing.T) {
		for what, text := range map[string]string{"head": "GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ", "body": "POST /view HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 5000\r\n\r\nzone="} {
			l := &pipe{make(chan net.Conn, 2), make(chan struct{})}
			srv := s.server()
			ended := make(chan error, 1)
			go func() { ended <- srv.Serve(l) }()
			mine, theirs := net.Pipe()
			l.conns <- theirs
			if _, err := io.WriteString(mine, text); err != nil {
				t.Fatal(err)
			}
			begun := time.Now()
			go func() { _, _ = io.Copy(io.Discard, mine) }()
			for {
				time.Sleep(2 * time.Second)
				if _, err := io.WriteString(mine, "a"); err != nil {
					break
				}
				if time.Since(begun) > 5*time.Minute {
					t.Errorf("a slow %s may take its time", what)
					break
				}
			}
			if d := time.Since(begun); d > 45*time.Second {
				t.Errorf("a slow %s was cut off after %v", what, d)
			}
			mine.Close()
			srv.Close()
			<-ended
		}
	})
}

func TestLargeBodiesAreRefused(t *testing.T) {
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	session := cookieOf(t, s.send("POST", "/sign-in", typed("name", "odalys", "password", dockPhrase)), "session")
	big := strings.Repeat("a", 3<<20)
	for _, pattern := range s.Routes() {
		method, path, _ := strings.Cut(pattern, " ")
		if method == "GET" || path == "/sign-out" {
			continue
		}
		path = strings.NewReplacer("{id}", "a-217", "{verb}", "mute", "{name}", "odalys", "{key}", "k", "{job}", "j", "{form}", "csv").Replace(path)
		res := s.send(method, path, "reason="+big+"&name="+big+"&text="+big, session)
		if res.StatusCode < 400 && res.StatusCode != http.StatusSeeOther {
			t.Errorf("%s with 9 MB: %d", pattern, res.StatusCode)
		}
	}
	changes, err := s.deps.People.Changes(t.Context(), 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range changes {
		if len(c.About)+len(c.Detail) > 1000 {
			t.Errorf("%s recorded %d bytes", c.What, len(c.About)+len(c.Detail))
		}
	}
}

// A path cannot leave what is served, however it is written.
func TestPathsStayInside(t *testing.T) {
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	session := cookieOf(t, s.send("POST", "/sign-in", typed("name", "odalys", "password", dockPhrase)), "session")
	for _, path := range []string{"/static/../people/people.go", "/static/%2e%2e/%2e%2e/go.mod", "/static/..%2f..%2fgo.mod", "/static//etc/passwd", "/units/..%2f..%2fetc%2fpasswd", "/orders/%2e%2e%2f%2e%2e", "/sql/answer/..%2f..%2fgo.mod",
		"/quarantine/..%2f..%2fstate.db", "/alerts/%00", "/series/..%2f/..%2f/..%2fstate.db", "/people/..%2f/role", "/sw.js/../../state.db"} {
		for _, as := range [][]*http.Cookie{nil, {session}} {
			res := s.send("GET", path, "", as...)
			b, _ := io.ReadAll(res.Body)
			if res.StatusCode == http.StatusOK || bytes.Contains(b, []byte("module marginline")) || bytes.Contains(b, []byte("root:")) || bytes.Contains(b, []byte("SQLite format")) {
				t.Errorf("%s: %d %.100s", path, res.StatusCode, b)
			}
		}
	}
}

// A route that access.go does not list keeps the server from being made.
func TestUnlistedRouteIsNotServed(t *testing.T) {
	was := access["GET /units"]
	delete(access, "GET /units")
	defer func() { access["GET /units"] = was }()
	_, err := New(DefaultConfig(), Deps{Book: empty(t), Series: newYard(), Roster: rosterOf(nil), Now: time.Now}, quiet())
	if err == nil || !strings.Contains(err.Error(), "GET /units") {
		t.Error(err)
	}
}

func TestGivenPasswordIsChangedFirst(t *testing.T) {
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	made, err := s.deps.People.Add(t.Context(), "odalys", people.Person{Name: "wes", Role: people.Manager}, "")
	if err != nil {
		t.Fatal(err)
	}
	session := cookieOf(t, s.send("POST", "/sign-in", typed("name", "wes", "password", made)), "session")
	for path, want := range map[string]int{"/": 303, "/account": 200, "/orders": 303, "/metrics": 403} {
		if res := s.send("GET", path, "", session); res.StatusCode != want {
			t.Errorf("%s: %d, want %d", path, res.StatusCode, want)
		}
	}
	if res := s.send("POST", "/alerts/a-217/acknowledge", "", session); res.StatusCode != http.StatusForbidden {
		t.Error(res.StatusCode)
	}
	res := s.send("POST", "/account/password", typed("old", made, "new", dockPhrase, "again", dockPhrase), session)
	if session = cookieOf(t, res, "session"); s.send("GET", "/", "", session).StatusCode != http.StatusOK {
		t.Error("the changed password does not open")
	}
	// Its decisions bear the name of the session, whatever the form says.
	if res := s.send("POST", "/alerts/a-217/acknowledge", typed("who", "Somebody Else"), session); res.StatusCode != http.StatusSeeOther {
		t.Error(res.StatusCode)
	}
	_, history, err := s.book.Get(t.Context(), "a-217")
	if err != nil || history[len(history)-1].Who != "wes" {
		t.Errorf("%+v %v", history, err)
	}
	if page := fmt.Sprint(s.send("GET", "/alerts/a-217", "", session).Header); strings.Contains(page, "who=") {
		t.Error(page)
	}
}
