package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/textproto"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"marginline/dashboards/people"
)

// A control is the private door to the process that owns a data folder: HTTP over a Unix socket that only
// the owner's user can open. Every command that touches state goes through it, whether the owner is the
// service or the command's own process, so there is one way to do each thing and one place that does it.
type control struct {
	file   string // in the data folder, names the socket
	sock   string // the socket, in a private folder of its own
	server *http.Server
	done   chan error
}

// controlFile holds the path of the socket. The socket itself lives in a private folder of its own: the
// path of a socket is limited to about 100 bytes, that of a data folder is not.
const controlFile = "control"

func serveControl(data string, h http.Handler) (*control, error) {
	dir, err := os.MkdirTemp("", "marginline-")
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	sock := filepath.Join(dir, "s")
	l, err := net.Listen("unix", sock)
	if err != nil {
		os.RemoveAll(dir)
		return nil, fmt.Errorf("control socket: %w", err)
	}
	path := filepath.Join(data, controlFile)
	if old, err := os.ReadFile(path); err == nil {
		sweepSocket(string(old))
	}
	tmp := path + ".tmp"
	if err := errors.Join(os.WriteFile(tmp, []byte(sock), 0o600), os.Rename(tmp, path)); err != nil {
		l.Close()
		os.RemoveAll(dir)
		return nil, fmt.Errorf("control socket: %w", err)
	}
	c := &control{file: path, sock: sock, server: &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second}, done: make(chan error, 1)}
	go func() { c.done <- c.server.Serve(l) }()
	return c, nil
}

// sweepSocket removes the private folder of a socket whose process was killed. One that answers belongs to a process that
// lives: the data folder is a copy of its own.
func sweepSocket(sock string) {
	dir := filepath.Dir(sock)
	if filepath.Dir(dir) != filepath.Clean(os.TempDir()) || !strings.HasPrefix(filepath.Base(dir), "marginline-") {
		return
	}
	if c, err := net.DialTimeout("unix", sock, time.Second); err == nil {
		c.Close()
		return
	}
	os.RemoveAll(dir)
}

// close stops taking requests and waits for those under way, at most until ctx ends.
func (c *control) close(ctx context.Context) error {
	os.Remove(c.file)
	err := c.server.Shutdown(ctx)
	if err != nil {
		c.server.Close()
	}
	<-c.done
	return errors.Join(err, os.RemoveAll(filepath.Dir(c.sock)))
}

// noteHeader carries a remark for people beside an answer.
const noteHeader = "Marginline-Note"

// userHeader names the user of the operating system who runs a command.
const userHeader = "Marginline-User"

type commandUser struct{}

// fromCommand gives the context of a request the user who runs the command.
func fromCommand(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		user, _ := url.QueryUnescape(r.Header.Get(userHeader))
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), commandUser{}, user)))
	})
}

// by is who to write into a history: who signed in, else the name that was typed, else the user who runs the command.
func (a *app) by(ctx context.Context, typed string) string {
	user, _ := ctx.Value(commandUser{}).(string)
	return cmp.Or(people.Who(ctx, typed), user, "local")
}

// A client talks to the process that owns a data folder.
type client struct {
	http  http.Client
	owned *app           // set when this process owns the folder for the length of the command
	note  func(s string) // told of remarks beside answers
}

// dial connects to the process that owns the data folder, waiting a little for one that is just starting.
func dial(ctx context.Context, data string) (*client, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	for {
		sock, err := os.ReadFile(filepath.Join(data, controlFile))
		if err == nil {
			var conn net.Conn
			if conn, err = (&net.Dialer{}).DialContext(ctx, "unix", string(sock)); err == nil {
				conn.Close()
				return clientFor(string(sock)), nil
			}
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("%s is in use by another process that does not answer: %w", data, err)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func clientFor(sock string) *client {
	return &client{http: http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "unix", sock)
		},
	}}}
}

// close ends the connection, and the process's own stages when it opened them.
func (c *client) close() error {
	c.http.CloseIdleConnections()
	if c.owned == nil {
		return nil
	}
	return c.owned.close()
}

// do sends a request to an escaped path and returns the body of the answer; an answer that is not 2xx is its error.
func (c *client) do(ctx context.Context, method, path string, query url.Values, body io.Reader) (io.ReadCloser, error) {
	plain, err := url.PathUnescape(path)
	if err != nil {
		return nil, err
	}
	u := url.URL{Scheme: "http", Host: "control", Path: plain, RawPath: path, RawQuery: query.Encode()}
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{Got1xxResponse: func(_ int, h textproto.MIMEHeader) error {
		if s := h.Get(noteHeader); s != "" && c.note != nil {
			c.note(s)
		}
		return nil
	}})
	req, err := http.NewRequestWithContext(ctx, method, u.String(), body)
	if err != nil {
		return nil, err
	}
	req.Header.Set(userHeader, url.QueryEscape(orUser("")))
	res, err := c.http.Do(req)
	if err != nil {
		return nil, err
	}
	if res.StatusCode/100 == 2 {
		return &answer{res, c.note}, nil
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	return nil, errors.New(strings.TrimSpace(string(text)))
}

// An answer is the body of an answer; at its end it passes the remark beside it on.
type answer struct {
	res  *http.Response
	note func(s string)
}

func (a *answer) Read(p []byte) (int, error) {
	n, err := a.res.Body.Read(p)
	if err == io.EOF && a.note != nil {
		if s := a.res.Header.Get(snapshotHeader); s != "" {
			a.note("snapshot " + s)
		}
		if s := a.res.Header.Get(noteHeader) + a.res.Trailer.Get(noteHeader); s != "" {
			a.note(s)
			a.note = nil
		}
	}
	return n, err
}

func (a *answer) Close() error { return a.res.Body.Close() }
