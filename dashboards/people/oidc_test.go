package people

import (
	"context"
	"errors"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/zitadel/oidc/v3/example/server/exampleop"
	"github.com/zitadel/oidc/v3/example/server/storage"
	"github.com/zitadel/oidc/v3/pkg/op"
)

// staff is who the provider knows.
type staff map[string]*storage.User

func (s staff) GetUserByID(id string) *storage.User { return s[id] }
func (s staff) GetUserByUsername(name string) *storage.User {
	for _, u := range s {
		if u.Username == name {
			return u
		}
	}
	return nil
}
func (s staff) ExampleClientID() string { return "service" }

const backHere = "http://127.0.0.1:1/sign-in/back"

// providerOf runs a provider that is not ours (the OpenID-certified library zitadel/oidc) and gives our side of it.
func providerOf(t *testing.T, d *desk, s staff) *Provider {
	t.Helper()
	var h http.Handler
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { h.ServeHTTP(w, r) }))
	t.Cleanup(srv.Close)
	storage.RegisterClients(storage.WebClient("marginline", "client secret", backHere))
	h = exampleop.SetupServer(srv.URL, storage.NewStorage(s), nil, false, op.WithAllowInsecure())
	d.at = time.Now() // its tokens are dated by the real clock
	p, err := NewProvider(ProviderConfig{Issuer: srv.URL, ClientID: "marginline", ClientSecret: "client secret", Scopes: "profile email", Claim: "email",
		Roles: "odalys@example.org=administrator, dock@example.org=shop:Harbor Road|North, vera@example.org=viewer", Back: backHere}, d.Register)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.client.CloseIdleConnections)
	return p
}

// visit goes to the provider as a browser does, signs in there, and gives what it would bring back to us.
func visit(t *testing.T, address, name string) url.Values {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	var back url.Values
	c := &http.Client{Jar: jar, Transport: &http.Transport{}, CheckRedirect: func(r *http.Request, _ []*http.Request) error {
		if strings.HasPrefix(r.URL.String(), backHere) {
			back = r.URL.Query()
			return http.ErrUseLastResponse
		}
		return nil
	}}
	defer c.CloseIdleConnections()
	res, err := c.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	id := res.Request.URL.Query().Get("authRequestID")
	if id == "" {
		t.Fatalf("the provider shows no sign-in: %s %s", res.Status, res.Request.URL)
	}
	if res, err = c.PostForm(res.Request.URL.String(), url.Values{"id": {id}, "username": {name}, "password": {"there"}}); err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if back == nil {
		t.Fatalf("the provider does not send back: %s %s", res.Status, res.Request.URL)
	}
	return back
}

func TestSignInAtAProvider(t *testing.T) {
	d, ctx := open(t), t.Context()
	s := staff{"u1": {ID: "u1", Username: "odalys", Password: "there", FirstName: "Odalys", LastName: "Reyes", Email: "odalys@example.org"}, "u2": {ID: "u2", Username: "bay2", Password: "there", Email: "dock@example.org"},
		"u3": {ID: "u3", Username: "stranger", Password: "there", Email: "stranger@example.org"}, "u4": {ID: "u4", Username: "wes", Password: "there", Email: "vera@example.org"}}
	d.add(t, "wes", Administrator) // a person of ours whom the provider has a namesake of
	p := providerOf(t, d, s)
	if !d.Required() || !d.Governed() {
		t.Error("with a provider nobody has to sign in")
	}
	address, state, err := p.Begin(ctx, "/units")
	if err != nil {
		t.Fatal(err)
	}
	q, err := url.Parse(address)
	if err != nil || q.Query().Get("code_challenge_method") != "S256" || len(q.Query().Get("code_challenge")) != 43 || q.Query().Get("nonce") == "" || q.Query().Get("state") != state {
		t.Fatalf("%s: want PKCE by S256 (RFC 7636), a nonce and the state", address)
	}
	back := visit(t, address, "odalys")
	if _, _, err := p.Finish(ctx, "", back, "192.0.2.1"); !errors.Is(err, ErrDenied) {
		t.Errorf("a browser that did not begin it finished it: %v", err)
	}
	if _, _, err := p.Finish(ctx, token(), back, "192.0.2.1"); !errors.Is(err, ErrDenied) {
		t.Errorf("another browser's state finished it: %v", err)
	}
	tok, next, err := p.Finish(ctx, state, back, "192.0.2.1")
	if err != nil || next != "/units" {
		t.Fatal(next, err)
	}
	if c := d.Session(ctx, tok, true); c.Name != "odalys" || !c.May(Manage) {
		t.Errorf("%+v", c)
	}
	if _, _, err := p.Finish(ctx, state, back, "192.0.2.1"); !errors.Is(err, ErrDenied) {
		t.Errorf("the same answer served twice: %v", err)
	}
	enter := func(name string, spoil func(w *pending)) (string, error) {
		address, state, err := p.Begin(ctx, "/")
		if err != nil {
			t.Fatal(err)
		}
		back := visit(t, address, name)
		p.mu.Lock()
		w := p.pending[state]
		if spoil != nil {
			spoil(&w)
		}
		p.pending[state] = w
		p.mu.Unlock()
		tok, _, err := p.Finish(ctx, state, back, "192.0.2.1")
		return tok, err
	}
	for what, spoil := range map[string]func(*pending){"another verifier": func(w *pending) { w.verifier = strings.Repeat("v", 43) }, "another nonce": func(w *pending) { w.nonce = "n" }, "too late": func(w *pending) { w.ends = d.at }} {
		if _, err := enter("odalys", spoil); !errors.Is(err, ErrDenied) {
			t.Errorf("%s: %v", what, err)
		}
	}
	dock, err := enter("bay2", nil)
	if err != nil {
		t.Fatal(err)
	}
	if c := d.Session(ctx, dock, true); !c.Bound() || !c.Sees("North") || !c.Sees("Harbor Road") || c.Sees("South") || c.May(Look) {
		t.Errorf("%+v", c)
	}
	if _, err := enter("stranger", nil); !errors.Is(err, ErrDenied) {
		t.Errorf("a person without a role here: %v", err)
	}
	if _, err := enter("wes", nil); !errors.Is(err, ErrDenied) {
		t.Errorf("a namesake came in as our own administrator: %v", err)
	}
	// The claim says another role: what was open ends, and the role is the new one. The name at the provider does not matter.
	s["u2"].Email, s["u2"].Username = "vera@example.org", "renamed"
	again, err := enter("renamed", nil)
	if err != nil {
		t.Fatal(err)
	}
	if c := d.Session(ctx, again, true); c.Name != "bay2" || c.Bound() || !c.May(Look) || d.Session(ctx, dock, true) != nil {
		t.Errorf("%+v", c)
	}
	if err := d.Disable(ctx, "wes", "bay2"); err != nil {
		t.Fatal(err)
	}
	if _, err := enter("renamed", nil); !errors.Is(err, ErrDenied) {
		t.Errorf("a person who is disabled here came in: %v", err)
	}
	if _, err := d.SignIn(ctx, "odalys", "", "192.0.2.2"); !errors.Is(err, ErrDenied) {
		t.Errorf("a person of the provider signs in without a password: %v", err)
	}
	if _, err := d.ResetPassword(ctx, "wes", "odalys", phrase); !errors.Is(err, ErrInput) {
		t.Errorf("a person of the provider was given a password: %v", err)
	}
	if strings.Contains(d.logs.String(), "client secret") || strings.Contains(d.logs.String(), back.Get("code")) {
		t.Error("a secret is in the log")
	}
}

func TestProviderThatIsAway(t *testing.T) {
	d := open(t)
	p, err := NewProvider(ProviderConfig{Issuer: "http://127.0.0.1:1", ClientID: "x", Claim: "roles", Roles: "a=viewer", Back: backHere}, d.Register)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if _, _, err := p.Begin(ctx, "/"); err == nil {
		t.Error("a provider that is away sends people on")
	}
	for _, bad := range []ProviderConfig{{Issuer: "http://idp.example.org", ClientID: "x", Claim: "r", Roles: "a=viewer"}, {Issuer: "https://idp.example.org", Claim: "r", Roles: "a=viewer"}, {Issuer: "https://idp.example.org", ClientID: "x", Claim: "r", Roles: "a=root"},
		{Issuer: "https://idp.example.org", ClientID: "x", Claim: "r", Roles: "a=shop"}, {Issuer: "https://idp.example.org", ClientID: "x", Claim: "r", Roles: ""}, {Issuer: "https://idp.example.org", ClientID: "x", Claim: "r", Roles: "a=viewer:North"}} {
		if _, err := NewProvider(bad, d.Register); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
}

func TestClaims(t *testing.T) {
	claims := map[string]any{"roles": []any{"a", 7, "b"}, "realm": map[string]any{"roles": []any{"c"}}, "https://x.example/role": "d", "n": 5}
	for path, want := range map[string]string{"roles": "a b", "realm.roles": "c", "https://x.example/role": "d", "n": "", "missing": "", "roles.x": "", "realm": ""} {
		if got := strings.Join(valuesAt(claims, path), " "); got != want {
			t.Errorf("%s: %q, want %q", path, got, want)
		}
	}
}
