package main

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"path/filepath"

	"golang.org/x/crypto/acme"
	"golang.org/x/crypto/acme/autocert"

	"marginline/dashboards"
)

// certificate is the TLS of every listener; nil where none is set.
func (c *config) certificate(log *slog.Logger) (*tls.Config, error) {
	switch {
	case c.Web.ACME != "":
		m := &autocert.Manager{Prompt: autocert.AcceptTOS, Cache: autocert.DirCache(filepath.Join(c.Data, "acme")), HostPolicy: autocert.HostWhitelist(c.publicHost()), Email: c.Web.ACME}
		if c.Web.ACMEDirectory != "" {
			m.Client = &acme.Client{DirectoryURL: c.Web.ACMEDirectory}
		}
		t := m.TLSConfig()
		t.MinVersion = tls.VersionTLS12
		return t, nil
	case c.Web.Cert != "":
		return dashboards.Certificate(c.Web.Cert, c.Web.Key, log)
	}
	return nil, nil
}

// webListener opens the address of the pages, under TLS where a certificate is set, and refuses what must not be reached.
func (a *app) webListener() (l net.Listener, scheme string, err error) {
	if err := a.governed("web.listen", a.cfg.Web.Listen); err != nil {
		return nil, "", err
	}
	return listenWeb(a.cfg, a.log)
}

func listenWeb(cfg config, log *slog.Logger) (l net.Listener, scheme string, err error) {
	conf, err := cfg.certificate(log)
	if err != nil {
		return nil, "", err
	}
	if l, err = net.Listen("tcp", cfg.Web.Listen); err != nil {
		return nil, "", err
	}
	if conf == nil {
		return l, "http", nil
	}
	return tls.NewListener(l, conf), "https", nil
}

// note records a change that no other history keeps, in the name of whoever made it.
func (a *app) note(ctx context.Context, what, about, detail string) error {
	return a.people.Note(ctx, a.by(ctx, ""), what, about, detail)
}
