package broker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/s2"
	"github.com/nats-io/nats-server/v2/server/archive"
	"github.com/nats-io/nats.go"
)

// Subjects of the JetStream API for snapshots, https://docs.nats.io/reference/reference-protocols/nats_api_reference.
const (
	snapshotAPI = "$JS.API.STREAM.SNAPSHOT."
	restoreAPI  = "$JS.API.STREAM.RESTORE."
	chunkBytes  = 512 << 10
)

// A snapshot comes as one archive of the server's own form (its public package server/archive): the state of the
// stream, every message with sequence, time and headers, and an empty entry that says that this was all. It is
// cut into files at fixed sequences, so that a file of the middle is the same every time and a backup
// can share it with the one before.
const (
	stateName  = "state.json"
	segment    = 4096 // sequences of one file
	segmentFmt = "messages-%016d.s2"
)

// identityKey in the metadata of a restored stream is what its id was: the sequences are those of the original.
const identityKey = "marginline.identity"

// A Shot is what has to be known of a stream to put its files back.
type Shot struct {
	ID     string          `json:"id"` // of the stream, as Broker.Stream gives it
	Config json.RawMessage `json:"config"`
	State  json.RawMessage `json:"state"`
}

type apiError struct {
	Code        int    `json:"code"`
	Description string `json:"description"`
}

func (e *apiError) Error() string { return e.Description }

// Streams are the streams that a backup has to hold. What happened to alerts (Alerts) is not among them: the alert book has it, and
// programs that had it would get it twice.
func Streams() []string { return []string{Reports, Quarantine} }

// Snapshot hands over the messages of a stream as files, while it takes reports: every message that was
// acknowledged before the call is in them. file reads to the end.
func (b *Broker) Snapshot(ctx context.Context, stream string, file func(name string, r io.Reader) error) (*Shot, error) {
	shot, err := b.snapshot(ctx, stream, file)
	if err != nil {
		return nil, fmt.Errorf("broker: snapshot of %s: %w", stream, err)
	}
	return shot, nil
}

func (b *Broker) snapshot(ctx context.Context, stream string, file func(name string, r io.Reader) error) (*Shot, error) {
	info, err := b.info(ctx, stream)
	if err != nil {
		return nil, err
	}
	inbox := b.conn.NewInbox()
	sub, err := b.conn.SubscribeSync(inbox)
	if err != nil {
		return nil, err
	}
	defer sub.Unsubscribe()
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return nil, err
	}
	var answer struct {
		Shot
		Error *apiError `json:"error"`
	}
	if err := b.ask(ctx, snapshotAPI+stream, map[string]any{"deliver_subject": inbox, "no_consumers": true, "chunk_size": chunkBytes}, &answer); err != nil {
		return nil, err
	}
	if answer.Error != nil {
		return nil, answer.Error
	}
	answer.ID = streamID(info)
	pr, pw := io.Pipe()
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		pw.CloseWithError(chunks(ctx, sub, pw))
	}()
	err = split(s2.NewReader(pr), file)
	pr.CloseWithError(err)
	stop()
	<-ended
	return &answer.Shot, err
}

func (b *Broker) ask(ctx context.Context, subject string, request, answer any) error {
	body, err := json.Marshal(request)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, callTimeout)
	defer cancel()
	m, err := b.conn.RequestWithContext(ctx, subject, body)
	if err != nil {
		return err
	}
	return json.Unmarshal(m.Data, answer)
}

// chunks writes what the server sends, and tells it so, until it says that this was all.
func chunks(ctx context.Context, sub *nats.Subscription, w io.Writer) error {
	for {
		wait, cancel := context.WithTimeout(ctx, 3*callTimeout)
		m, err := sub.NextMsgWithContext(wait)
		cancel()
		if err != nil {
			return err
		}
		if len(m.Data) == 0 {
			if status := m.Header.Get("Status"); status != "" && status != "204" {
				return fmt.Errorf("the server broke off: %s %s", status, m.Header.Get("Description"))
			}
			return nil
		}
		if _, err := w.Write(m.Data); err != nil {
			return err
		}
		if m.Reply != "" {
			if err := m.Respond(nil); err != nil {
				return err
			}
		}
	}
}

// split cuts an archive into files. One without its end is an error.
func split(r io.Reader, file func(name string, r io.Reader) error) error {
	in := archive.NewReader(r)
	var out *part
	for {
		h, err := in.Next()
		switch {
		case errors.Is(err, archive.ErrInvalidArchive):
			err = errors.New("it came in another form than that of NATS server 2.15 and newer, or damaged")
		case err == io.EOF:
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return errors.Join(err, out.close())
		}
		if h.Name == "" {
			return out.close()
		}
		name := stateName
		if h.Sequence > 0 {
			name = fmt.Sprintf(segmentFmt, h.Sequence/segment*segment)
		}
		if out == nil || out.name != name {
			if err := out.close(); err != nil {
				return err
			}
			out = newPart(name, file)
		}
		if err := copyEntry(out.archive, h, in); err != nil {
			return errors.Join(err, out.close())
		}
	}
}

func copyEntry(w *archive.Writer, h *archive.Header, r io.Reader) error {
	if err := w.WriteHeader(h); err != nil {
		return err
	}
	_, err := io.CopyN(w, r, h.HeaderSize+h.PayloadSize)
	return err
}

// A part is one file being handed over.
type part struct {
	name    string
	archive *archive.Writer
	packed  *s2.Writer
	pipe    *io.PipeWriter
	done    chan error
}

func newPart(name string, file func(name string, r io.Reader) error) *part {
	r, w := io.Pipe()
	p := &part{name: name, pipe: w, packed: s2.NewWriter(w, s2.WriterConcurrency(1)), done: make(chan error, 1)}
	p.archive = archive.NewWriter(p.packed)
	go func() {
		err := file(name, r)
		r.CloseWithError(err)
		p.done <- err
	}()
	return p
}

func (p *part) close() error {
	if p == nil {
		return nil
	}
	err := errors.Join(p.archive.Close(), p.packed.Close())
	p.pipe.CloseWithError(err)
	return errors.Join(<-p.done, err)
}
