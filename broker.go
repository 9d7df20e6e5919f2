package main

import (
	"context"
	"crypto/tls"
	"log/slog"
	"path/filepath"

	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/broker"
	"marginline/ingest/enroll"
)

// A dongleList knows which dongles may publish.
type dongleList interface {
	Any() bool
	NATS(nkey string, nonce []byte, signature string) (enroll.Right, error)
	MQTT(user, password string) (enroll.Right, error)
	Live(key string) bool
}

// register is the list of dongles as the broker asks for it.
type register struct {
	dongleList
	always bool
}

func (r register) Required() bool { return r.always || r.Any() }

func (r register) NATS(nkey string, nonce []byte, signature string) (broker.Pass, error) {
	p, err := r.dongleList.NATS(nkey, nonce, signature)
	return broker.Pass(p), err
}

func (r register) MQTT(user, password string) (broker.Pass, error) {
	p, err := r.dongleList.MQTT(user, password)
	return broker.Pass(p), err
}

// dongleCopy is the list of dongles for the brokers of all nodes.
func dongleCopy(cfg config) string { return filepath.Join(cfg.Data, "dongles.json") }

// mustSignIn says whether dongles need a credential even before the first is enrolled: as set, and always where
// other machines reach the broker.
func (c *config) mustSignIn() bool {
	for _, addr := range []string{c.Broker.Listen, c.Broker.MQTT} {
		if addr == "" {
			continue
		}
		if here, err := local(addr); err != nil || !here {
			return true
		}
	}
	return c.Broker.Auth == "required"
}

// openBroker opens the list of dongles and, unless a node lent its own, the broker that asks it.
func (a *app) openBroker(ctx context.Context) (err error) {
	if a.dongles, err = enroll.Open(ctx, a.db); err != nil {
		return err
	}
	if !a.lent {
		a.broker, err = openBroker(ctx, a.cfg, a.dongles, broker.Cluster{}, a.cert, a.log)
	} else {
		err = a.dongles.WriteCopy(dongleCopy(a.cfg))
	}
	if err != nil {
		return err
	}
	for _, reason := range broker.Reasons() {
		a.reg.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "marginline_dongle_turned_away_total",
			Help: "Connections of dongles that were refused or closed, by reason.", ConstLabels: prometheus.Labels{"reason": reason}},
			func() float64 { return float64(a.broker.Turned()[reason]) }))
	}
	return nil
}

// brokerDir holds the files of the embedded broker: a node's own, never shared.
func (c *config) brokerDir() string {
	if c.Broker.Dir != "" {
		return c.Broker.Dir
	}
	return filepath.Join(c.Data, "broker")
}

// openBroker opens this process's broker, for dongles that the list names.
func openBroker(ctx context.Context, c config, list dongleList, place broker.Cluster, cert *certificate, log *slog.Logger) (*broker.Broker, error) {
	var conf *tls.Config
	if c.Broker.Listen != "" || c.Broker.MQTT != "" {
		var err error
		if conf, err = cert.tls(); err != nil {
			return nil, err
		}
	}
	return broker.Open(ctx, broker.Config{Dir: c.brokerDir(), URL: c.Broker.URL, Listen: c.Broker.Listen, MQTT: c.Broker.MQTT,
		MaxAge: c.Broker.MaxAge, MaxBytes: c.Broker.MaxBytes, AlertAge: c.Broker.AlertAge, Register: register{list, c.mustSignIn()}, TLS: conf, Cluster: place}, log)
}
