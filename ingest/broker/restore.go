package broker

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/klauspost/compress/s2"
	"github.com/nats-io/nats-server/v2/server/archive"
	"github.com/nats-io/nats.go/jetstream"
)

// A Kept is a stream out of a backup.
type Kept struct {
	Name  string
	Shot  Shot
	Files []KeptFile // as Snapshot gave them, in any order
}

// A KeptFile is one file of it.
type KeptFile struct {
	Name string
	Open func() (io.ReadCloser, error)
}

// Restore puts streams into a log that has none of them: with the same sequences, times and identity, so that the
// lake goes on where it was. It opens and closes the log, which is on disk when Restore returns.
func Restore(ctx context.Context, cfg Config, streams []Kept, log *slog.Logger) (err error) {
	cfg.Listen, cfg.MQTT, cfg.lazy = "", "", true
	b, err := connect(cfg, log)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, b.Close()); err == nil && cfg.URL == "" {
			err = syncTree(cfg.Dir)
		}
	}()
	for _, s := range streams { // all or none
		if _, err := b.js.Stream(ctx, s.Name); err == nil {
			return fmt.Errorf("broker: restore: stream %s is there already; it was left as it is", s.Name)
		} else if !errors.Is(err, jetstream.ErrStreamNotFound) {
			return fmt.Errorf("broker: restore: %w", err)
		}
	}
	for _, s := range streams {
		if err := b.restore(ctx, s); err != nil {
			return fmt.Errorf("broker: restore %s: %w", s.Name, err)
		}
	}
	return nil
}

// syncTree puts every file and folder below dir on disk: once, where the server would do it after each message.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() && !d.Type().IsRegular() {
			return err
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}

func (b *Broker) restore(ctx context.Context, s Kept) error {
	var config map[string]any
	if err := json.Unmarshal(s.Shot.Config, &config); err != nil {
		return fmt.Errorf("its configuration: %w", err)
	}
	metadata, _ := config["metadata"].(map[string]any)
	if metadata == nil {
		metadata = map[string]any{}
	}
	metadata[identityKey], config["metadata"] = s.Shot.ID, metadata
	var answer struct {
		Deliver string    `json:"deliver_subject"`
		Error   *apiError `json:"error"`
	}
	if err := b.ask(ctx, restoreAPI+s.Name, map[string]any{"config": config, "state": s.Shot.State}, &answer); err != nil {
		return err
	}
	if answer.Error != nil {
		return answer.Error
	}
	pr, pw := io.Pipe()
	packed := make(chan error, 1)
	go func() {
		err := pack(pw, s.Files)
		pw.CloseWithError(err)
		packed <- err
	}()
	err := b.upload(ctx, answer.Deliver, pr)
	pr.CloseWithError(cmp.Or(err, io.ErrClosedPipe))
	return errors.Join(<-packed, err)
}

// upload sends chunks, each when the one before was taken; an empty one ends it, and its answer says how it went.
func (b *Broker) upload(ctx context.Context, to string, r io.Reader) error {
	chunk := make([]byte, chunkBytes)
	for {
		n, err := io.ReadFull(r, chunk)
		last := errors.Is(err, io.EOF)
		if err != nil && !last && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		wait := 3 * callTimeout
		if last {
			wait = 30 * time.Minute // the server writes the rest of the stream
		}
		call, cancel := context.WithTimeout(ctx, wait)
		m, err := b.conn.RequestWithContext(call, to, chunk[:n])
		cancel()
		if err != nil {
			return err
		}
		var answer struct {
			Error *apiError `json:"error"`
		}
		if len(m.Data) > 0 {
			if err := json.Unmarshal(m.Data, &answer); err != nil {
				return err
			}
		}
		if answer.Error != nil {
			return answer.Error
		}
		if last {
			return nil
		}
	}
}

// pack makes one archive of the files again.
func pack(w io.Writer, files []KeptFile) error {
	packed := s2.NewWriter(w)
	out := archive.NewWriter(packed)
	files = slices.Clone(files)
	slices.SortFunc(files, func(a, b KeptFile) int { // the state first, then the messages in order
		if a.Name == stateName || b.Name == stateName {
			return cmp.Compare(b.Name, a.Name)
		}
		return cmp.Compare(a.Name, b.Name)
	})
	for _, f := range files {
		if err := packFile(out, f); err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
	return errors.Join(out.WriteHeader(&archive.Header{}), out.Close(), packed.Close())
}

func packFile(out *archive.Writer, f KeptFile) error {
	r, err := f.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	for in := archive.NewReader(s2.NewReader(r)); ; {
		h, err := in.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if err := copyEntry(out, h, in); err != nil {
			return err
		}
	}
}
