package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/crypto/acme"
	"golang.org/x/crypto/acme/autocert"

	"marginline/dashboards"
)

// A certificate is the one that every listener of this process shows, made when the first listener asks for it. By ACME
// it must be one: two would each make an account and an order at the same moment, and the authority refuses the second.
type certificate struct {
	cfg config
	log *slog.Logger

	once sync.Once
	conf *tls.Config // nil = none is set
	acme *autocert.Manager
	err  error
}

func newCertificate(cfg config, log *slog.Logger) *certificate {
	return &certificate{cfg: cfg, log: log}
}

// tls is for one listener; nil where no certificate is set.
func (c *certificate) tls() (*tls.Config, error) {
	c.once.Do(func() {
		switch w := c.cfg.Web; {
		case w.ACME != "":
			c.acme = &autocert.Manager{Prompt: autocert.AcceptTOS, Cache: autocert.DirCache(filepath.Join(c.cfg.Data, "acme")),
				HostPolicy: autocert.HostWhitelist(c.cfg.publicHost()), Email: w.ACME, Client: &acme.Client{DirectoryURL: c.authority()}}
			c.conf = c.acme.TLSConfig()
			c.conf.MinVersion = tls.VersionTLS12
			c.conf.GetCertificate = c.named
		case w.Cert != "":
			c.conf, c.err = dashboards.Certificate(w.Cert, w.Key, c.log)
		}
	})
	return c.conf.Clone(), c.err
}

// authority is the address of the directory (RFC 8555, section 7.1.1).
func (c *certificate) authority() string {
	return cmp.Or(c.cfg.Web.ACMEDirectory, autocert.DefaultACMEDirectory)
}

// named gives who asks for no name, as probes by address and small devices do, the certificate of the only one there is.
func (c *certificate) named(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
	if hello.ServerName == "" {
		h := *hello
		h.ServerName = c.cfg.publicHost()
		hello = &h
	}
	return c.acme.GetCertificate(hello)
}

// keep gets a certificate by ACME before anybody waits for it, and says in the log when it cannot be had or was not
// renewed in time: autocert renews it, and tells nobody when it cannot. It returns when ctx ends.
func (c *certificate) keep(ctx context.Context) error {
	if c.acme == nil {
		return nil
	}
	log := c.log.With("name", c.cfg.publicHost(), "authority", c.authority())
	known, wait := "", time.Minute // autocert itself asks no sooner again
	for {
		next := time.Hour
		got, err := c.get(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			next, wait = wait, min(2*wait, time.Hour)
			log.Error("no certificate, and nothing is served without: the authority must be reachable, and must reach this service at the name's port 443", "again", next, "err", err)
		case overdue(got, time.Now()):
			log.Error("the certificate was not renewed: the authority must be reachable, and must reach this service at the name's port 443", "ends", got.Leaf.NotAfter)
		case known != got.Leaf.SerialNumber.String():
			known, wait = got.Leaf.SerialNumber.String(), time.Minute
			log.Info("certificate", "ends", got.Leaf.NotAfter)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(next):
		}
	}
}

// get is what a client of today is shown. Getting it takes up to minutes; it is not waited for once ctx has ended.
func (c *certificate) get(ctx context.Context) (*tls.Certificate, error) {
	type answer struct {
		cert *tls.Certificate
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		cert, err := c.acme.GetCertificate(&tls.ClientHelloInfo{ServerName: c.cfg.publicHost(), CipherSuites: []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256}})
		if err != nil {
			err = fmt.Errorf("acme: %w", err)
		}
		got <- answer{cert, err}
	}()
	select {
	case a := <-got:
		return a.cert, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// overdue says whether less than half of the time is left in which autocert renews: the last third of the certificate's
// life, at most thirty days.
func overdue(c *tls.Certificate, now time.Time) bool {
	life := c.Leaf.NotAfter.Sub(c.Leaf.NotBefore)
	return c.Leaf.NotAfter.Sub(now) < min(life/3, 30*24*time.Hour)/2
}
