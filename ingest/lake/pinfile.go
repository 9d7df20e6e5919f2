package lake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"
)

// lease is how long a pin file holds without being renewed; its holder renews it three times as often.
const lease = 10 * time.Minute

// A pinFile is what another process holds: the manifest lists of one state, and everything they lead to.
type pinFile struct {
	Holder string    `json:"holder"` // for people
	Until  time.Time `json:"until"`
	Lists  []string  `json:"manifest-lists"` // relative to the lake
}

func pinDir(lake string) string { return filepath.Join(lake, "pins") }

// holdState pins a state for this process, in a lake that another one may write, until release is called.
// Where the folder cannot be written (a read-only copy) nobody else writes it either, and there is nothing to
// hold it against.
func (v *view) hold(ctx context.Context, holder string) (release func(), err error) {
	var p pinFile
	p.Holder = fmt.Sprintf("%s, process %d", holder, os.Getpid())
	for i, t := range v.l.tables {
		if s := t.tip.snapshot(v.set.heads[i].snapshot); s != nil {
			rel, err := filepath.Rel(v.l.dir, t.actual(s.ManifestList))
			if err != nil {
				return nil, err
			}
			p.Lists = append(p.Lists, rel)
		}
	}
	path := filepath.Join(pinDir(v.l.dir), uuid.NewString()+".json")
	write := func() error {
		p.Until = v.l.now().Add(lease).UTC()
		_, err := v.l.fs.writeFile(path, func(w io.Writer) error { return json.NewEncoder(w).Encode(p) })
		return err
	}
	err = os.MkdirAll(pinDir(v.l.dir), 0o750)
	if err == nil {
		err = write()
	}
	if errors.Is(err, os.ErrPermission) || readOnly(err) {
		return func() {}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("pin: %w", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() {
		tick := time.NewTicker(lease / 3)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				if err := write(); err != nil {
					v.l.log.Warn("a pin was not renewed", "file", path, "err", err)
				}
			}
		}
	})
	return func() {
		cancel()
		wg.Wait()
		v.l.fs.remove(path)
	}, nil
}

// pinned gives the manifest lists that pin files hold, and removes the files whose lease has ended.
func pinned(lake string, now time.Time) (lists []string, err error) {
	names, err := os.ReadDir(pinDir(lake))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		path := filepath.Join(pinDir(lake), n.Name())
		if filepath.Ext(path) != ".json" { // being written: its holder looks again afterwards
			continue
		}
		b, err := os.ReadFile(path)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		var p pinFile
		if err := json.Unmarshal(b, &p); err != nil {
			return nil, fmt.Errorf("pin %s: %w; remove the file when its holder is gone", path, err)
		}
		if now.After(p.Until) {
			if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
				return nil, err
			}
			continue
		}
		for _, f := range p.Lists {
			lists = append(lists, filepath.Join(lake, f))
		}
	}
	return lists, nil
}
