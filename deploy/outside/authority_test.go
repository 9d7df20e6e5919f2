package outside

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"github.com/letsencrypt/pebble/v2/ca"
	"github.com/letsencrypt/pebble/v2/db"
	"github.com/letsencrypt/pebble/v2/va"
	"github.com/letsencrypt/pebble/v2/wfe"
	"github.com/miekg/dns"
)

// An authority is pebble, the ACME server (RFC 8555) that Let's Encrypt keeps for testing clients, in this process. It
// validates for real: it asks a name server of this test where the name is, and connects there.
type authority struct {
	t     *testing.T
	site  *httptest.Server
	names string // host:port of the name server, which has every name at 127.0.0.1
	trust string // the file with the root of the authority's own pages
	open  chan struct{}

	mu    sync.Mutex
	pages http.Handler
	asked map[string]int // requests by path
	roots *x509.CertPool
}

// By itself it would wait up to five seconds before it looks.
func init() { os.Setenv("PEBBLE_VA_NOSLEEP", "1") }

// Paths of the authority's own choice (pebble's wfe package), as its directory tells them.
const (
	newAccount = "/sign-me-up"
	newOrder   = "/order-plz"
)

// newAuthority listens; what it is asked waits until it knows where to validate.
func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t, open: make(chan struct{}), asked: map[string]int{}, roots: x509.NewCertPool(), trust: filepath.Join(t.TempDir(), "authority.pem")}
	a.site = httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case <-a.open:
		case <-r.Context().Done():
			return
		}
		a.mu.Lock()
		a.asked[r.URL.Path]++
		a.mu.Unlock()
		a.pages.ServeHTTP(w, r)
	}))
	t.Cleanup(a.site.Close)
	if err := os.WriteFile(a.trust, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.site.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	started := make(chan struct{})
	server := &dns.Server{Listener: l, NotifyStartedFunc: func() { close(started) }, Handler: dns.HandlerFunc(func(w dns.ResponseWriter, q *dns.Msg) {
		answer := new(dns.Msg).SetReply(q)
		if q.Question[0].Qtype == dns.TypeA {
			answer.Answer = []dns.RR{&dns.A{Hdr: dns.RR_Header{Name: q.Question[0].Name, Rrtype: dns.TypeA, Class: dns.ClassINET}, A: net.IPv4(127, 0, 0, 1)}}
		}
		_ = w.WriteMsg(answer)
	})}
	go func() { _ = server.ActivateAndServe() }()
	<-started
	t.Cleanup(func() { _ = server.ShutdownContext(context.WithoutCancel(t.Context())) })
	a.names = l.Addr().String()
	return a
}

// validateAt opens the authority, which connects to the port of host:port where the standard says 443. Its certificates are
// good for so many seconds; 0 = as many days as pebble thinks fit.
func (a *authority) validateAt(address string, seconds uint64) {
	a.t.Helper()
	_, p, err := net.SplitHostPort(address)
	if err != nil {
		a.t.Fatal(err)
	}
	port, err := strconv.Atoi(p)
	if err != nil {
		a.t.Fatal(err)
	}
	quiet := log.New(io.Discard, "", 0)
	store := db.NewMemoryStore()
	issuer := ca.New(quiet, store, "", "ecdsa", 0, 1, map[string]ca.Profile{"default": {ValidityPeriod: seconds}})
	if !a.roots.AppendCertsFromPEM(issuer.GetRootCert(0).PEM()) {
		a.t.Fatal("the authority has no root")
	}
	front := wfe.New(quiet, store, va.New(quiet, 0, port, true, a.names, store), issuer, nil, true, false, 1, 1)
	a.pages = front.Handler()
	close(a.open)
}

func (a *authority) directory() string { return a.site.URL + wfe.DirectoryPath }

// count is how often a path was asked.
func (a *authority) count(path string) int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.asked[path]
}
