package dashboards

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"
)

// Certificate serves a certificate from two PEM files, TLS 1.2 at the least. The files are looked at again at most once a second,
// when a connection begins; when one of them changed, both are read anew. While they do not fit each other, as in the middle of
// a renewal, the certificate before stays, and the log says so.
func Certificate(cert, key string, log *slog.Logger) (*tls.Config, error) {
	c := &certificate{cert: cert, key: key, log: log}
	if err := c.read(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.now(), nil }}, nil
}

type certificate struct {
	cert, key string
	log       *slog.Logger

	mu     sync.Mutex
	held   *tls.Certificate
	stamps [2]fileStamp
	looked time.Time
	faulty bool
}

// A fileStamp changes when a file does.
type fileStamp struct {
	at   time.Time
	size int64
}

func stampOf(path string) (fileStamp, error) {
	i, err := os.Stat(path)
	if err != nil {
		return fileStamp{}, err
	}
	return fileStamp{i.ModTime(), i.Size()}, nil
}

func (c *certificate) read() error {
	a, err1 := stampOf(c.cert)
	b, err2 := stampOf(c.key)
	if err := errors.Join(err1, err2); err != nil {
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
			return fmt.Errorf("certificate: %w", err)
		}
		return err
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return fmt.Errorf("certificate %s with key %s: %w", c.cert, c.key, err)
	}
	c.held, c.stamps = &pair, [2]fileStamp{a, b}
	return nil
}

func (c *certificate) now() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) < time.Second {
		return c.held
	}
	c.looked = time.Now()
	a, err1 := stampOf(c.cert)
	b, err2 := stampOf(c.key)
	err := errors.Join(err1, err2)
	if err == nil && c.stamps == [2]fileStamp{a, b} {
		return c.held
	}
	if err == nil {
		if err = c.read(); err == nil {
			c.faulty = false
			c.log.Info("the certificate was read again", "file", c.cert)
			return c.held
		}
	}
	if !c.faulty {
		c.faulty = true
		c.log.Error("the certificate cannot be read again; the one before is served on", "err", err)
	}
	return c.held
}
