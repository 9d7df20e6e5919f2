package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// An authority that hangs up is asked once, whatever listens and whoever connects, and the log names it. What an authority
// that answers gives is in deploy/outside.
func TestCertificateIsOne(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var asked atomic.Int32
	var hangsUp sync.WaitGroup
	hangsUp.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			asked.Add(1)
			c.Close()
		}
	})
	defer func() { l.Close(); hangsUp.Wait() }()
	directory := "https://" + l.Addr().String() + "/dir"
	cfg, err := loadConfig("", nil, map[string]any{"data": t.TempDir(), "web.url": "https://fleet.example.org", "web.acme": "ops@example.org", "web.acme_directory": directory})
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	cert := newCertificate(cfg, cfg.logger(&said))
	var confs []*tls.Config
	for range 3 { // pages, Flight SQL, broker
		conf, err := cert.tls()
		if err != nil {
			t.Fatal(err)
		}
		confs = append(confs, conf)
	}
	if _, err := confs[0].GetCertificate(&tls.ClientHelloInfo{ServerName: "other.example.org"}); err == nil || asked.Load() != 0 {
		t.Errorf("another name: %v, and the authority was asked %d times", err, asked.Load())
	}
	var all sync.WaitGroup
	for _, conf := range confs {
		for _, name := range []string{"fleet.example.org", ""} {
			all.Go(func() {
				_, err := conf.GetCertificate(&tls.ClientHelloInfo{ServerName: name, CipherSuites: []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256}})
				if err == nil || strings.Contains(err.Error(), "server name") {
					t.Errorf("for %q: %v", name, err)
				}
			})
		}
	}
	all.Wait()
	if n := asked.Load(); n != 1 {
		t.Errorf("the authority was asked %d times, want once", n)
	}
	ctx, stop := context.WithCancel(t.Context())
	kept := make(chan error, 1)
	cert = newCertificate(cfg, cfg.logger(writes(func(b []byte) { said.Write(b); stop() })))
	if _, err := cert.tls(); err != nil {
		t.Fatal(err)
	}
	go func() { kept <- cert.keep(ctx) }()
	if err := <-kept; err != nil || !strings.Contains(said.String(), "level=ERROR") || !strings.Contains(said.String(), "name=fleet.example.org authority="+directory) {
		t.Errorf("%v, log %s", err, &said)
	}
}

type writes func([]byte)

func (w writes) Write(b []byte) (int, error) { w(b); return len(b), nil }

func TestCertificateOverdue(t *testing.T) {
	now := time.Now()
	day := 24 * time.Hour
	for _, c := range []struct {
		life, left time.Duration
		want       bool
	}{{90 * day, 29 * day, false}, {90 * day, 16 * day, false}, {90 * day, 14 * day, true}, {6 * day, 25 * time.Hour, false}, {6 * day, 23 * time.Hour, true}, {90 * day, -day, true}} {
		leaf := &x509.Certificate{NotBefore: now.Add(c.left - c.life), NotAfter: now.Add(c.left)}
		if got := overdue(&tls.Certificate{Leaf: leaf}, now); got != c.want {
			t.Errorf("%v left of %v: %v", c.left, c.life, got)
		}
	}
}
