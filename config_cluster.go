package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"strings"

	"marginline/ingest/broker"
)

// clustered says whether this process is one node of several.
func (c *config) clustered() bool { return c.Cluster.Node != "" }

// node is this process's place among the nodes; reads the certificates.
func (c *config) node() (broker.Cluster, error) {
	n := broker.Cluster{Node: c.Cluster.Node, Listen: c.Cluster.Listen, Told: c.Cluster.Told, Replicas: c.Cluster.Replicas}
	for r := range strings.SplitSeq(c.Cluster.Routes, ",") {
		if r = strings.TrimSpace(r); r != "" {
			n.Routes = append(n.Routes, r)
		}
	}
	if c.Cluster.Cert == "" || !c.clustered() {
		return n, nil
	}
	pair, err := tls.LoadX509KeyPair(c.Cluster.Cert, c.Cluster.Key)
	if err != nil {
		return n, fmt.Errorf("cluster.cert: %w", err)
	}
	pem, err := os.ReadFile(c.Cluster.CA)
	if err != nil {
		return n, fmt.Errorf("cluster.ca: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return n, fmt.Errorf("cluster.ca: %s holds no certificate", c.Cluster.CA)
	}
	n.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, RootCAs: pool, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert, MinVersion: tls.VersionTLS12}
	return n, nil
}

// checkCluster finds what is wrong with the settings of a node.
func (c *config) checkCluster() error {
	if !c.clustered() {
		if c.Cluster.Listen != "" || c.Cluster.Routes != "" {
			return errors.New("node is needed: the name of this node, which no other one has")
		}
		return nil
	}
	if strings.ContainsAny(c.Cluster.Node, " .*>/\t") {
		return fmt.Errorf("node %q: no blanks, dots or wildcards", c.Cluster.Node)
	}
	if c.Cluster.Replicas < 1 || c.Cluster.Replicas > 5 {
		return fmt.Errorf("replicas %d: 1 to 5; 3 outlive the loss of one node, 5 of two", c.Cluster.Replicas)
	}
	if c.Broker.URL != "" { // the nodes of an external broker are its own affair
		return nil
	}
	if c.Broker.Dir == "" {
		return errors.New("broker.dir is needed: each node keeps its copy of the log on a disk of its own, outside the data folder that they share")
	}
	if c.Broker.Listen == "" {
		return errors.New("broker.listen is needed: dongles turn to the nodes that are there")
	}
	if c.Cluster.Listen == "" || c.Cluster.Routes == "" {
		return errors.New("listen and routes are needed: where the nodes reach each other")
	}
	if c.Cluster.Cert == "" || c.Cluster.Key == "" || c.Cluster.CA == "" {
		if here, err := local(c.Cluster.Listen); err != nil {
			return fmt.Errorf("listen: %w", err)
		} else if !here {
			return fmt.Errorf("listen %s: beyond this machine a node needs cert, key and ca: both ends of a route prove who they are", c.Cluster.Listen)
		}
	}
	return nil
}
