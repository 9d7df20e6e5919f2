package main

import (
	"crypto/tls"
	"fmt"
	"net"
)

// webListener opens the address of the pages, under TLS where a certificate is set, and refuses what must not be reached.
func (a *app) webListener() (l net.Listener, scheme string, err error) {
	if err := a.governed("web.listen", a.cfg.Web.Listen); err != nil {
		return nil, "", err
	}
	return listenWeb(a.cfg, a.cert)
}

func listenWeb(cfg config, cert *certificate) (l net.Listener, scheme string, err error) {
	conf, err := cert.tls()
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

// governed refuses to listen beyond this machine while nobody can administer the service.
func (a *app) governed(key, addr string) error {
	if here, err := local(addr); err != nil || here || a.people.Governed() {
		return err
	}
	return fmt.Errorf("%s: %q is reachable from other machines, and nobody has to sign in yet: list an administrator first with "+
		"'marginline people add NAME --role administrator --data %s', then start the service again", key, addr, a.cfg.Data)
}

// local says whether an address is on this machine alone.
func local(addr string) (bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false, fmt.Errorf("%q is not host:port", addr)
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback(), nil
}

// reach checks the address of a listener: beyond this machine it needs TLS. That it also needs somebody who can administer is
// known only once the data folder is open (governed).
func (c *config) reach(addr string, tls bool) error {
	here, err := local(addr)
	if err != nil || here || tls {
		return err
	}
	return fmt.Errorf("%q is reachable from other machines, and what is sent there would not be encrypted: set web.cert and web.key (or web.acme), "+
		"list an administrator with 'marginline people add NAME --role administrator', or keep to a loopback address such as 127.0.0.1", addr)
}
