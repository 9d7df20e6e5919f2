package people

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// ProviderConfig is where people of another register come from, by OpenID Connect.
type ProviderConfig struct {
	Issuer, ClientID, ClientSecret string
	Scopes                         string // beside openid, with spaces between
	Claim                          string // whose value says the role; a.b is b within a
	Roles                          string // value=role, value=shop:depot|depot, ...; the first that fits counts
	Back                           string // address of our own page that the provider sends back to
}

// A grant is what a value of the claim gives.
type grant struct {
	value  string
	role   Role
	depots []string
}

func parseGrants(s string) ([]grant, error) {
	var list []grant
	for _, part := range strings.Split(s, ",") {
		value, to, ok := strings.Cut(strings.TrimSpace(part), "=")
		if !ok || value == "" {
			return nil, fmt.Errorf("roles: %q: want value=role, or value=shop:depot|depot", part)
		}
		name, depots, _ := strings.Cut(to, ":")
		role, err := ParseRole(name)
		if err != nil {
			return nil, fmt.Errorf("roles: %w", err)
		}
		p := Person{Name: "x", Role: role, Depots: strings.Split(depots, "|")}
		if err := p.check(); err != nil {
			return nil, fmt.Errorf("roles: %q: %w", part, err)
		}
		list = append(list, grant{value, role, p.Depots})
	}
	return list, nil
}

// Validate says what is wrong.
func (c ProviderConfig) Validate() error {
	u, err := url.Parse(c.Issuer)
	if err != nil || u.Host == "" || u.Scheme != "https" && !(u.Scheme == "http" && here(u.Hostname())) {
		return fmt.Errorf("issuer %q: want an https address", c.Issuer)
	}
	if c.ClientID == "" || c.Claim == "" {
		return errors.New("client_id and claim are needed")
	}
	_, err = parseGrants(c.Roles)
	return err
}

func here(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// A Provider signs people in by OpenID Connect. What it needs to know of the issuer is asked when the first person comes, and
// again after a failure, so that the service starts without it.
type Provider struct {
	cfg      ProviderConfig
	grants   []grant
	register *Register
	client   *http.Client

	mu      sync.Mutex
	found   *oidc.Provider
	pending map[string]pending // by state
}

type pending struct {
	nonce, verifier, next string
	ends                  time.Time
}

// How long a sign-in at the provider may take, and how many may be under way.
const (
	pendingFor  = 10 * time.Minute
	mostPending = 10_000
)

// NewProvider makes a provider whose people go into the register, which from now on asks for a sign-in.
func NewProvider(cfg ProviderConfig, r *Register) (*Provider, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("oidc: %w", err)
	}
	grants, err := parseGrants(cfg.Roles)
	if err != nil {
		return nil, fmt.Errorf("oidc: %w", err)
	}
	r.TrustProvider()
	return &Provider{cfg: cfg, grants: grants, register: r, client: &http.Client{Timeout: 10 * time.Second}, pending: map[string]pending{}}, nil
}

func (p *Provider) discovered(ctx context.Context) (*oidc.Provider, *oauth2.Config, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found == nil {
		// The library keeps the context for fetching keys later: it must outlive the request.
		found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), p.client), p.cfg.Issuer)
		if err != nil {
			return nil, nil, fmt.Errorf("oidc: the provider cannot be asked: %w", err)
		}
		p.found = found
	}
	return p.found, &oauth2.Config{ClientID: p.cfg.ClientID, ClientSecret: p.cfg.ClientSecret, Endpoint: p.found.Endpoint(), RedirectURL: p.cfg.Back,
		Scopes: append([]string{oidc.ScopeOpenID}, strings.Fields(p.cfg.Scopes)...)}, nil
}

// Begin gives the address at the provider to send a browser to, and the state that the browser must keep in a cookie and bring back.
func (p *Provider) Begin(ctx context.Context, next string) (address, state string, err error) {
	_, cfg, err := p.discovered(ctx)
	if err != nil {
		return "", "", err
	}
	w := pending{nonce: token(), verifier: oauth2.GenerateVerifier(), next: next, ends: p.register.now().Add(pendingFor)}
	state = token()
	p.mu.Lock()
	defer p.mu.Unlock()
	for s, x := range p.pending {
		if !p.register.now().Before(x.ends) {
			delete(p.pending, s)
		}
	}
	if len(p.pending) >= mostPending {
		return "", "", ErrBusy
	}
	p.pending[state] = w
	return cfg.AuthCodeURL(state, oidc.Nonce(w.nonce), oauth2.S256ChallengeOption(w.verifier)), state, nil
}

// Finish takes what the browser brought back, with the state of its cookie, and makes a session. A state serves once.
func (p *Provider) Finish(ctx context.Context, kept string, v url.Values, addr string) (tok, next string, err error) {
	state := v.Get("state")
	if kept == "" || subtle.ConstantTimeCompare([]byte(kept), []byte(state)) != 1 {
		return "", "", fmt.Errorf("%w: this sign-in was not begun in this browser", ErrDenied)
	}
	p.mu.Lock()
	w, ok := p.pending[state]
	delete(p.pending, state)
	p.mu.Unlock()
	if !ok || !p.register.now().Before(w.ends) {
		return "", "", fmt.Errorf("%w: this sign-in took too long or was used before", ErrDenied)
	}
	if e := v.Get("error"); e != "" {
		return "", "", fmt.Errorf("%w: the provider refused", ErrDenied)
	}
	found, cfg, err := p.discovered(ctx)
	if err != nil {
		return "", "", err
	}
	ctx = oidc.ClientContext(ctx, p.client)
	t, err := cfg.Exchange(ctx, v.Get("code"), oauth2.VerifierOption(w.verifier))
	if err != nil {
		return "", "", fmt.Errorf("%w: the provider did not take the code: %w", ErrDenied, stripped(err))
	}
	raw, _ := t.Extra("id_token").(string)
	id, err := found.Verifier(&oidc.Config{ClientID: p.cfg.ClientID, Now: p.register.now}).Verify(ctx, raw)
	if err != nil {
		return "", "", fmt.Errorf("%w: the identity token does not hold: %w", ErrDenied, err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(w.nonce)) != 1 {
		return "", "", fmt.Errorf("%w: the identity token belongs to another sign-in", ErrDenied)
	}
	claims := map[string]any{}
	if err := id.Claims(&claims); err != nil {
		return "", "", fmt.Errorf("%w: claims: %w", ErrDenied, err)
	}
	if len(valuesAt(claims, p.cfg.Claim)) == 0 { // some providers tell it only when asked
		info, err := found.UserInfo(ctx, oauth2.StaticTokenSource(t))
		if err != nil {
			return "", "", fmt.Errorf("%w: the provider tells nothing of the person: %w", ErrDenied, err)
		}
		if info.Subject != id.Subject {
			return "", "", fmt.Errorf("%w: the provider tells of another person", ErrDenied)
		}
		if err := info.Claims(&claims); err != nil {
			return "", "", fmt.Errorf("%w: claims: %w", ErrDenied, err)
		}
	}
	tok, err = p.admit(ctx, id.Issuer+" "+id.Subject, claims, addr)
	return tok, w.next, err
}

// stripped is an error of the exchange without the body of the answer, which may hold what nobody should log.
func stripped(err error) error {
	var e *oauth2.RetrieveError
	if errors.As(err, &e) {
		return fmt.Errorf("%s %s", e.ErrorCode, http.StatusText(e.Response.StatusCode))
	}
	return err
}

// valuesAt are the values of a claim: text, or a list of it.
func valuesAt(claims map[string]any, path string) []string {
	v, ok := claims[path]
	if !ok {
		v = claims
		for _, name := range strings.Split(path, ".") {
			m, _ := v.(map[string]any)
			v = m[name]
		}
	}
	switch v := v.(type) {
	case string:
		return []string{v}
	case []any:
		var out []string
		for _, x := range v {
			if s, ok := x.(string); ok {
				out = append(out, s)
			}
		}
		return out
	}
	return nil
}

func (p *Provider) granted(values []string) (role Role, depots []string) {
	for _, g := range p.grants {
		if !slices.Contains(values, g.value) || role != "" && !(role == Shop && g.role == Shop) {
			continue
		}
		role = g.role
		depots = append(depots, g.depots...)
	}
	return role, depots
}

// admit finds or lists the person with an identity and gives them the role that the claims say.
func (p *Provider) admit(ctx context.Context, identity string, claims map[string]any, addr string) (string, error) {
	r := p.register
	role, depots := p.granted(valuesAt(claims, p.cfg.Claim))
	if role == "" {
		r.signIns.WithLabelValues("refused").Inc()
		return "", fmt.Errorf("%w: no value of the claim %s has a role here", ErrDenied, p.cfg.Claim)
	}
	text := func(name string) string { s, _ := claims[name].(string); return s }
	r.change.Lock()
	var have *Person
	r.mu.RLock()
	for _, x := range r.people {
		if x.identity == identity {
			have = x
		}
	}
	r.mu.RUnlock()
	person := Person{identity: identity, Outside: true, MadeAt: r.now().UTC(), Role: role, Depots: depots, Full: text("name")}
	if have != nil {
		person = *have
		person.Role, person.Depots = role, depots
	} else {
		for _, name := range []string{text("preferred_username"), text("email"), text("sub")} {
			if n, err := nameOf(name); err == nil {
				person.Name = n
				break
			}
		}
	}
	if len(person.Full) > 100 {
		person.Full = ""
	}
	err := person.check()
	if err == nil && have == nil {
		if _, e := r.Person(person.Name); e == nil {
			err = fmt.Errorf("%w: the name %s belongs to somebody else here", ErrDenied, person.Name)
		}
	}
	switch {
	case err != nil:
	case have == nil:
		err = r.save(ctx, "OpenID Connect", "person added", &person, person.describe(), false)
	case have.describe() != person.describe():
		err = r.save(ctx, "OpenID Connect", "role changed", &person, have.describe()+" → "+person.describe(), true)
	}
	r.change.Unlock()
	if err != nil {
		return "", err
	}
	return r.enter(ctx, person.Name, addr, "", "")
}
