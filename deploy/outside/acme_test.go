package outside

import (
	"bufio"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/letsencrypt/pebble/v2/wfe"
)

const fleetName = "fleet.example.org"

// acmeSettings are those of a service that gets the certificate of fleetName at a directory of the authority.
func (a *authority) acmeSettings(directory string) []string {
	return []string{"MARGINLINE_WEB_URL=https://" + fleetName, "MARGINLINE_WEB_ACME=garage@example.org", "MARGINLINE_WEB_ACME_DIRECTORY=" + directory, "SSL_CERT_FILE=" + a.trust}
}

// shown is the certificate's serial number that a listener shows to who asks for a name and trusts the authority alone.
func (a *authority) shown(address, name string) (string, error) {
	c, err := tls.Dial("tcp", address, &tls.Config{RootCAs: a.roots, ServerName: name, NextProtos: []string{"h2"}})
	if err != nil {
		return "", err
	}
	defer c.Close()
	leaf := c.ConnectionState().PeerCertificates[0]
	if !slices.Equal(leaf.DNSNames, []string{fleetName}) || !strings.HasPrefix(leaf.Issuer.CommonName, "Pebble Intermediate CA") {
		return "", fmt.Errorf("a certificate of %q by %q", leaf.DNSNames, leaf.Issuer.CommonName)
	}
	return leaf.SerialNumber.String(), nil
}

// get asks for a page as a browser does that has the name at this address and trusts the authority alone.
func (a *authority) get(address, path string) (status int, text string) {
	a.t.Helper()
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: a.roots}, ForceAttemptHTTP2: true,
		DialContext: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, network, address)
		}}}
	defer client.CloseIdleConnections()
	r, err := client.Get("https://" + fleetName + path)
	if err != nil {
		a.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// refusesPlain checks that a port under TLS gives nothing of the service to who speaks without.
func refusesPlain(t *testing.T, address string) {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := fmt.Fprintf(c, "GET /livez HTTP/1.1\r\nHost: %s\r\n\r\n", fleetName); err != nil {
		t.Fatal(err)
	}
	r, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		return // closed without a word
	}
	defer r.Body.Close()
	if b, _ := io.ReadAll(r.Body); r.StatusCode != http.StatusBadRequest || !strings.Contains(string(b), "HTTP request to an HTTPS server") {
		t.Errorf("in plain text: %d %s", r.StatusCode, b)
	}
}

// The certificate by ACME (RFC 8555), by TLS-ALPN-01 (RFC 8737), from an authority that really looks.
func TestACME(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	a := newAuthority(t)
	mqtt := free(t)
	settings := append(a.acmeSettings(a.directory()), "MARGINLINE_BROKER_MQTT="+mqtt)
	s := serve(t, data, settings...)
	web, flight := s.web(), s.flight()
	a.validateAt(web, 0)

	// All listeners at once, before there is a certificate: one account, one order, one certificate.
	serials := make([]string, 6)
	listeners := []string{web, flight, mqtt}
	var all sync.WaitGroup
	for i := range serials {
		all.Go(func() {
			serial, err := a.shown(listeners[i%3], fleetName)
			if err != nil {
				t.Errorf("%s: %v", []string{"pages", "Flight SQL", "dongles' MQTT"}[i%3], err)
			}
			serials[i] = serial
		})
	}
	all.Wait()
	first := serials[0]
	if t.Failed() || len(slices.Compact(serials)) != 1 {
		t.Fatalf("certificates %q\n%s", serials, s.log())
	}
	counted := func(when string) {
		t.Helper()
		if accounts, orders := a.count(newAccount), a.count(newOrder); accounts != 1 || orders != 1 {
			t.Errorf("%s: %d accounts and %d orders, want one of each", when, accounts, orders)
		}
	}
	counted("first")
	if status, text := a.get(web, "/livez"); status != 200 || text != "ok\n" {
		t.Errorf("/livez: %d %q", status, text)
	}
	if status, text := a.get(web, "/"); status != 200 || !strings.Contains(text, "<html") {
		t.Errorf("/: %d %.200q", status, text)
	}
	s.says(`level=INFO msg=certificate name=fleet\.example\.org authority=` + a.site.URL + wfe.DirectoryPath)

	// Other names are turned away without an order; who names none, as by address, gets the certificate.
	for _, name := range []string{"other.example.org", "www." + fleetName, "localhost"} {
		if serial, err := a.shown(web, name); err == nil {
			t.Errorf("%s is shown %s", name, serial)
		}
	}
	c, err := tls.Dial("tcp", web, &tls.Config{InsecureSkipVerify: true}) // an address of 127.0.0.1 sends no name
	if err != nil {
		t.Errorf("without a name: %v", err)
	} else {
		if got := c.ConnectionState().PeerCertificates[0].SerialNumber.String(); got != first {
			t.Errorf("without a name: %s, want %s", got, first)
		}
		c.Close()
	}
	refusesPlain(t, web)
	counted("other names")

	kept := filepath.Join(data, "acme")
	modes := map[string]fs.FileMode{}
	if err := filepath.WalkDir(kept, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		i, err := d.Info()
		modes[strings.TrimPrefix(path, kept)] = i.Mode()
		return err
	}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"/acme_account+key", "/" + fleetName} {
		if modes[want].Perm() == 0 {
			t.Errorf("%s is not kept: %v", want, modes)
		}
	}
	for path, mode := range modes {
		if want := map[bool]fs.FileMode{true: 0o700, false: 0o600}[mode.IsDir()]; mode.Perm() != want {
			t.Errorf("acme%s has the mode %v", path, mode)
		}
	}

	s.stop()
	s = serve(t, data, settings...)
	for _, address := range []string{s.web(), s.flight(), mqtt} {
		if again, err := a.shown(address, fleetName); err != nil || again != first {
			t.Errorf("%s after a restart: %s, want %s: %v", address, again, first, err)
		}
	}
	counted("after a restart")
}

// A certificate that nears its end is exchanged while the service runs, by the same account, for every listener.
func TestACMERenewal(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	a := newAuthority(t)
	s := serve(t, data, a.acmeSettings(a.directory())...)
	web, flight := s.web(), s.flight()
	a.validateAt(web, 12) // renewed in the last third
	s.says("msg=certificate name=" + fleetName)
	kept := func() string {
		pair, err := tls.LoadX509KeyPair(filepath.Join(data, "acme", fleetName), filepath.Join(data, "acme", fleetName))
		if err != nil {
			t.Fatal(err)
		}
		return pair.Leaf.SerialNumber.String()
	}
	first := kept()
	for end := time.Now().Add(time.Minute); ; time.Sleep(200 * time.Millisecond) {
		one, err1 := a.shown(web, fleetName)
		two, err2 := a.shown(flight, fleetName)
		if err1 == nil && err2 == nil && one == two && one != first {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("not renewed: %q %q, first %q: %v, %v\n%s", one, two, first, err1, err2, s.log())
		}
	}
	if kept() == first {
		t.Error("the new certificate is not kept")
	}
	if accounts, orders := a.count(newAccount), a.count(newOrder); accounts != 1 || orders < 2 {
		t.Errorf("%d accounts and %d orders", accounts, orders)
	}
}

// Whatever hinders the authority, the log says which one and why, and nothing is served in the clear instead.
func TestACMEWithout(t *testing.T) {
	t.Parallel()
	gone := free(t)
	a := newAuthority(t) // validates where nobody listens
	a.validateAt(gone, 0)
	for what, c := range map[string]struct{ directory, says string }{
		"wrong path":    {a.site.URL + "/nothing", "404"},
		"nobody there":  {"https://" + gone + "/dir", "connection refused"},
		"not validated": {a.directory(), "no viable challenge type"},
	} {
		t.Run(what, func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			s := serve(t, data, a.acmeSettings(c.directory)...)
			web := s.web()
			s.says(`level=ERROR msg="no certificate.*authority=` + c.directory + `.*` + c.says)
			for _, address := range []string{web, s.flight()} {
				if serial, err := a.shown(address, fleetName); err == nil {
					t.Errorf("%s shows %s", address, serial)
				}
			}
			refusesPlain(t, web)
			if _, err := os.Stat(filepath.Join(data, "acme", fleetName)); err == nil {
				t.Error("a certificate is kept")
			}
		})
	}
}
