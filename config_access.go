package main

import (
	"fmt"
	"net"
	"net/url"
	"strings"

	"marginline/dashboards/people"
)

// hasTLS says whether a certificate is set.
func (c *config) hasTLS() bool { return c.Web.Cert != "" || c.Web.ACME != "" }

// checkAccess checks what belongs to TLS and sign-in.
func (c *config) checkAccess(bad func(key, format string, args ...any)) {
	if (c.Web.Cert == "") != (c.Web.Key == "") {
		bad("web.cert", "certificate and key belong together: set web.cert and web.key")
	}
	if c.Web.URL != "" {
		u, err := url.Parse(c.Web.URL)
		if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || strings.Trim(u.Path, "/") != "" {
			bad("web.url", "%q: want an address such as https://fleet.example.org", c.Web.URL)
		}
	}
	if u, err := url.Parse(c.Web.ACMEDirectory); c.Web.ACMEDirectory != "" && (err != nil || u.Scheme != "https" || u.Host == "") {
		bad("web.acme_directory", "%q: want the https address of an authority's directory (RFC 8555, section 6.1)", c.Web.ACMEDirectory)
	}
	switch {
	case c.Web.ACME == "" && c.Web.ACMEDirectory != "":
		bad("web.acme_directory", "does nothing without web.acme")
	case c.Web.ACME == "":
	case c.Web.Cert != "":
		bad("web.acme", "a certificate is set by web.cert too: one of the two")
	case !strings.Contains(c.publicHost(), ".") || net.ParseIP(c.publicHost()) != nil || !strings.HasPrefix(c.Web.URL, "https:"):
		bad("web.acme", "needs web.url with the name that the certificate is for, such as https://fleet.example.org")
	case !strings.Contains(c.Web.ACME, "@"):
		bad("web.acme", "%q: want the e-mail address of whoever runs the service", c.Web.ACME)
	}
	if err := c.sessions().Validate(); err != nil {
		bad("people", "%v", err)
	}
	if c.OIDC.Issuer == "" {
		return
	}
	if err := c.providerConfig().Validate(); err != nil {
		bad("oidc", "%v", err)
	}
	if c.Web.URL == "" {
		bad("oidc", "needs web.url: the provider sends people back there")
	}
}

func (c *config) sessions() people.Config {
	return people.Config{Idle: c.People.Idle, Longest: c.People.Longest}
}

func (c *config) providerConfig() people.ProviderConfig {
	return people.ProviderConfig{Issuer: c.OIDC.Issuer, ClientID: c.OIDC.ClientID, ClientSecret: c.OIDC.ClientSecret, Scopes: c.OIDC.Scopes,
		Claim: c.OIDC.Claim, Roles: c.OIDC.Roles, Back: strings.TrimRight(c.Web.URL, "/") + "/sign-in/back"}
}

// provider is where people of another register sign in; nil where none is set.
func (a *app) provider() (*people.Provider, error) {
	if a.cfg.OIDC.Issuer == "" {
		return nil, nil
	}
	return people.NewProvider(a.cfg.providerConfig(), a.people)
}

// publicHost is the name that people use; "" where none is set.
func (c *config) publicHost() string {
	u, err := url.Parse(c.Web.URL)
	if err != nil {
		return ""
	}
	return strings.ToLower(u.Hostname())
}

// plain is the settings as they may be recorded: without secrets.
func (c config) plain() string {
	for _, s := range []*string{&c.Webhook.Secret, &c.OIDC.ClientSecret} {
		if *s != "" {
			*s = "(set)"
		}
	}
	for _, s := range []*string{&c.Webhook.URL, &c.Broker.URL} { // may hold a name and a password
		if u, err := url.Parse(*s); *s != "" && (err != nil || u.User != nil || u.RawQuery != "") {
			*s = "(set)"
		}
	}
	return fmt.Sprintf("%+v", c)
}
