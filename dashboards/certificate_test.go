package dashboards

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// makeCertificate writes a certificate for this machine with a name of its own, and its key.
func makeCertificate(t *testing.T, cert, key, name string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	n, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: n, Subject: pkix.Name{CommonName: name}, DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	for path, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: pkcs8}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// The certificate is exchanged while the service runs; a half-done exchange leaves the one before in use.
func TestCertificateIsReadAgain(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "c.pem"), filepath.Join(dir, "k.pem")
	if _, err := Certificate(cert, key, quiet()); err == nil {
		t.Error("a certificate that is not there is served")
	}
	makeCertificate(t, cert, key, "first")
	conf, err := Certificate(cert, key, quiet())
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, newYard(), empty(t))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, tls.NewListener(l, conf)) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	served := func() string {
		c, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if st := c.ConnectionState(); st.Version < tls.VersionTLS12 || st.NegotiatedProtocol != "h2" {
			t.Errorf("version %x, protocol %q", st.Version, st.NegotiatedProtocol)
		}
		return c.ConnectionState().PeerCertificates[0].Subject.CommonName
	}
	until := func(want string) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); served() != want; time.Sleep(100 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%q is served, want %q", served(), want)
			}
		}
	}
	until("first")
	makeCertificate(t, cert, key, "second")
	until("second")
	if err := os.WriteFile(key, []byte("half of a key"), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(1100 * time.Millisecond) // longer than one look lasts
	until("second")
	makeCertificate(t, cert, key, "third")
	until("third")
	if _, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	defer client.CloseIdleConnections()
	res, err := client.Get("https://" + l.Addr().String() + "/livez")
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if !strings.Contains(res.Header.Get("Strict-Transport-Security"), "max-age") {
		t.Error("a browser may come back without TLS")
	}
}
