package main

import (
	"context"
	"crypto/tls"
	"net"
	"path/filepath"

	"golang.org/x/crypto/acme"
	"golang.org/x/crypto/acme/autocert"

	"marginline/dashboards"
)

// certificate is the TLS of every listener; nil where none is set.
func (a *app) certificate() (*tls.Config, error) {
	switch {
	case a.cfg.Web.ACME != "":
		m := &autocert.Manager{Prompt: autocert.AcceptTOS, Cache: autocert.DirCache(filepath.Join(a.cfg.Data, "acme")), HostPolicy: autocert.HostWhitelist(a.cfg.publicHost()), Email: a.cfg.Web.ACME}
		if a.cfg.Web.ACMEDirectory != "" {
			m.Client = &acme.Client{DirectoryURL: a.cfg.Web.ACMEDirectory}
		}
		c := m.TLSConfig()
		c.MinVersion = tls.VersionTLS12
		return c, nil
	case a.cfg.Web.Cert != "":
		return dashboards.Certificate(a.cfg.Web.Cert, a.cfg.Web.Key, a.log)
	}
	return nil, nil
}

// webListener opens the address of the pages, under TLS where a certificate is set, and refuses what must not be reached.
func (a *app) webListener() (l net.Listener, scheme string, err error) {
	if err := a.governed("web.listen", a.cfg.Web.Listen); err != nil {
		return nil, "", err
	}
	conf, err := a.certificate()
	if err != nil {
		return nil, "", err
	}
	if l, err = net.Listen("tcp", a.cfg.Web.Listen); err != nil {
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
