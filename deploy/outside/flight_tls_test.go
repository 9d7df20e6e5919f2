package outside

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	stdsql "database/sql"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/arrow/flight/flightsql"
	"github.com/apache/arrow-go/v18/arrow/flight/flightsql/driver"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// newCertificate writes a certificate for this machine and its key, each file exchanged at once, and gives what trusts it alone.
func newCertificate(t *testing.T, cert, key string) *x509.CertPool {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	n, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: n, Subject: pkix.Name{CommonName: "garage"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, c, c, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []struct {
		path, kind string
		der        []byte
	}{{cert, "CERTIFICATE", der}, {key, "PRIVATE KEY", pkcs8}} {
		if err := os.WriteFile(f.path+".new", pem.EncodeToMemory(&pem.Block{Type: f.kind, Bytes: f.der}), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(f.path+".new", f.path); err != nil {
			t.Fatal(err)
		}
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return roots
}

// addPerson lists a person with a password of their own.
func addPerson(t *testing.T, data, name, role string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), program(t), "people", "add", name, "--role", role, "--password-stdin", "--data", data)
	cmd.Stdin = strings.NewReader("a long enough phrase of " + name + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("people add %s: %v\n%s", name, err, out)
	}
}

// makeKey makes an API key of a person and gives it with its id.
func makeKey(t *testing.T, data, name, role string) (id, key string) {
	t.Helper()
	label := "outside " + role
	made := marginline(t, "people", "key", name, "--label", label, "--role", role, "--data", data)
	key = strings.TrimPrefix(strings.TrimSpace(string(made)), "key: ")
	list := string(marginline(t, "people", "keys", "-o", "csv", "--data", data))
	m := regexp.MustCompile(`(?m)^([a-z0-9]+),.*` + label).FindStringSubmatch(list)
	if m == nil || len(key) < 20 || strings.Contains(list, key) {
		t.Fatalf("a key %q, keys\n%s", made, list)
	}
	return m[1], key
}

func bearer(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

func dialTLS(t *testing.T, address string, roots *x509.CertPool) *flightsql.Client {
	t.Helper()
	c, err := flightsql.NewClient(address, nil, nil, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{RootCAs: roots})))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// Flight SQL as other machines use it: under TLS with a certificate of one's own, by an API key.
func TestFlightSQLUnderTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	data, cert, key := filepath.Join(dir, "data"), filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	reports, roster := filepath.Join(dir, "reports.ndjson"), filepath.Join(dir, "roster.csv")
	marginline(t, "simulate", "-o", reports, "--roster", roster, "--units", "3", "--days", "2", "--seed", "7")
	marginline(t, "import", "--data", data, "--roster", roster, reports)
	readings := fmt.Sprint(duck(t, data, "select count(*) n from readings")[0]["n"])
	addPerson(t, data, "odalys", "administrator")
	id, analyst := makeKey(t, data, "odalys", "analyst")
	_, viewer := makeKey(t, data, "odalys", "viewer")
	_, other := makeKey(t, data, "odalys", "manager")
	roots := newCertificate(t, cert, key)
	s := serve(t, data, "MARGINLINE_WEB_CERT="+cert, "MARGINLINE_WEB_KEY="+key)
	address := s.flight()
	token, err := os.ReadFile(filepath.Join(data, "flight-token"))
	if err != nil {
		t.Fatal(err)
	}
	c := dialTLS(t, address, roots)
	// counts says whether the query is answered, with the number of readings that the import stored.
	counts := func(c *flightsql.Client, key string) error {
		ctx, stop := context.WithTimeout(bearer(t.Context(), key), 30*time.Second)
		defer stop()
		info, err := c.Execute(ctx, "select count(*) from readings")
		if err != nil {
			return err
		}
		if _, rows, first := fetch(t, ctx, c, info); rows != 1 || first[0] != readings {
			return fmt.Errorf("%d rows, %q readings, want %s", rows, first, readings)
		}
		return nil
	}

	if err := counts(c, analyst); err != nil {
		t.Fatalf("with the key: %v\n%s", err, s.log())
	}
	if _, err := c.Client.AuthenticateBasicToken(t.Context(), "odalys", analyst); err != nil {
		t.Errorf("the key as a password: %v", err)
	}
	refused := func(what string, err error) {
		t.Helper()
		if status.Code(err) != codes.Unauthenticated || !strings.Contains(err.Error(), "the token is missing, wrong or ended, or may not query") {
			t.Errorf("%s: %v", what, err)
		}
	}
	_, err = c.Execute(t.Context(), "select 1")
	refused("without a key", err)
	refused("a wrong key", counts(c, strings.Repeat("x", len(analyst))))
	refused("a key of a role that may not query", counts(c, viewer))
	refused("the token of the folder, once people sign in", counts(c, strings.TrimSpace(string(token))))
	refused("a password", counts(c, "a long enough phrase of odalys"))

	t.Run("database/sql", func(t *testing.T) {
		if err := driver.RegisterTLSConfig("garage", &tls.Config{RootCAs: roots}); err != nil {
			t.Fatal(err)
		}
		defer driver.UnregisterTLSConfig("garage")
		db, err := stdsql.Open("flightsql", "flightsql://"+address+"?token="+analyst+"&tls=garage&timeout=60s")
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		var n int64
		if err := db.QueryRowContext(t.Context(), "select count(*) from readings").Scan(&n); err != nil || fmt.Sprint(n) != readings {
			t.Errorf("%d readings, want %s: %v", n, readings, err)
		}
	})
	t.Run("plain text", func(t *testing.T) {
		if err := counts(dial(t, address), analyst); status.Code(err) != codes.Unavailable {
			t.Errorf("gRPC: %v", err)
		}
		client := &http.Client{Timeout: 30 * time.Second}
		defer client.CloseIdleConnections()
		if r, err := client.Get("http://" + address + "/"); err == nil {
			b, _ := io.ReadAll(r.Body)
			r.Body.Close()
			t.Errorf("HTTP: %d %s", r.StatusCode, b)
		}
		refusesPlain(t, s.web())
	})
	t.Run("other root", func(t *testing.T) {
		stranger := newCertificate(t, filepath.Join(dir, "other.pem"), filepath.Join(dir, "other-key.pem"))
		if err := counts(dialTLS(t, address, stranger), analyst); status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "x509") {
			t.Errorf("who trusts another certificate: %v", err)
		}
	})
	t.Run("revoked", func(t *testing.T) {
		marginline(t, "people", "revoke", id, "--data", data)
		refused("a revoked key on the open connection", counts(c, analyst))
		refused("a revoked key on a new connection", counts(dialTLS(t, address, roots), analyst))
		if err := counts(c, other); err != nil {
			t.Errorf("another key: %v", err)
		}
	})
	t.Run("exchanged", func(t *testing.T) {
		before, err := os.ReadFile(cert)
		if err != nil {
			t.Fatal(err)
		}
		fresh := newCertificate(t, cert, key)
		if after, err := os.ReadFile(cert); err != nil || bytes.Equal(before, after) {
			t.Fatal("the certificate on disk is the same", err)
		}
		for end := time.Now().Add(30 * time.Second); ; time.Sleep(100 * time.Millisecond) { // it is looked at once a second
			err := counts(dialTLS(t, address, fresh), other)
			if err == nil {
				break
			}
			if status.Code(err) != codes.Unavailable || time.Now().After(end) {
				t.Fatalf("the new certificate: %v\n%s", err, s.log())
			}
		}
		if err := counts(dialTLS(t, address, roots), other); status.Code(err) != codes.Unavailable {
			t.Errorf("the certificate before is still shown: %v", err)
		}
		if err := counts(c, other); err != nil {
			t.Errorf("the connection that was open: %v", err)
		}
	})
}
