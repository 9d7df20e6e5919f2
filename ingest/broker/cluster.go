package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/url"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// A Cluster is the place of this node among those that keep the log together. The zero value is a node alone.
type Cluster struct {
	Node     string      // name of this node, which no other one has
	Listen   string      // host:port where the others reach its embedded server
	Told     string      // host:port that they are told to reach it by, where that is not Listen; "" = Listen
	Routes   []string    // host:port of the nodes; it may name this one too
	Replicas int         // copies of each report, each on a node of its own; 0 = 3
	TLS      *tls.Config // of the routes, on both ends; nil = none
}

const (
	clusterName     = "marginline"
	defaultReplicas = 3
)

func (c *Cluster) on() bool { return c.Node != "" }

// copies is how many nodes keep each report.
func (c *Cluster) copies() int {
	switch {
	case !c.on():
		return 1
	case c.Replicas == 0:
		return defaultReplicas
	}
	return c.Replicas
}

// join puts the embedded server into the cluster.
func (c *Cluster) join(o *server.Options) error {
	if !c.on() {
		return nil
	}
	if o.DontListen { // the server begins with its routes when clients can reach it
		return errors.New("broker: cluster: a node needs a listener for dongles")
	}
	if len(c.Routes) == 0 {
		return errors.New("broker: cluster: no routes to the other nodes")
	}
	host, port, err := address(c.Listen)
	if err != nil {
		return fmt.Errorf("broker: cluster: listen: %w", err)
	}
	o.ServerName = c.Node
	o.Cluster.Name, o.Cluster.Host, o.Cluster.Port = clusterName, host, port
	o.Cluster.Advertise = c.Told
	o.Cluster.TLSConfig, o.Cluster.TLSTimeout = c.TLS, startTimeout.Seconds()
	o.MQTT.StreamReplicas = c.copies()
	for _, r := range c.Routes {
		if _, _, err := address(r); err != nil {
			return fmt.Errorf("broker: cluster: route %q: %w", r, err)
		}
		o.Routes = append(o.Routes, &url.URL{Scheme: "nats-route", Host: r})
	}
	return nil
}

// assemble tries until enough nodes are there to answer, or ctx ends.
func (b *Broker) assemble(ctx context.Context, try func(context.Context) error) error {
	for told := false; ; {
		once, cancel := context.WithTimeout(ctx, callTimeout/2)
		err := try(once)
		cancel()
		if err == nil || ctx.Err() != nil {
			return err
		}
		if !told {
			b.log.Warn("waiting for the other nodes of the cluster", "err", err)
			told = true
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(time.Second):
		}
	}
}
