package ingest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/report"
)

// unreadableDevice is the device under whose subject a line goes that names none.
const unreadableDevice = "unreadable"

// What an Importer holds at most before it publishes.
const (
	importLines = 1000
	importBytes = 8 << 20
)

// Imported is how far an import is.
type Imported struct {
	Reports    int    // lines published
	Unreadable int    // of these, lines that are no report; they end in the quarantine
	Bytes      int64  // of the lines, unpacked
	LastSeq    uint64 // sequence of the newest in the log; wait for it with Consumer.Committed
}

// An Importer publishes recorded reports into the log, in their order and in large synced batches. One
// Importer is one import, of any number of files. A line that is no report is published as it is, so that
// the Consumer puts it into the quarantine with its bytes: what a file holds is never dropped.
//
// With each report goes the newest good device time that the import had before it: a report whose own
// clock is not good takes its place there, and not at the time of the import.
type Importer struct {
	// Progress is told after each batch. May be nil.
	Progress func(Imported)

	broker *broker.Broker
	now    func() time.Time
	newest time.Time
	done   Imported
	batch  []broker.Outgoing
	held   int
}

// NewImporter makes an Importer.
func NewImporter(b *broker.Broker) *Importer { return &Importer{broker: b, now: time.Now} }

// Import publishes the lines of one file, plain, gzip or zstd (see report.Reader). When it returns, all
// that it counts is on disk in the log, also beside an error. The counts are those of all files so far.
// Running an import again is harmless: what is there is dropped.
func (im *Importer) Import(ctx context.Context, in io.Reader) (Imported, error) {
	r, err := report.NewReader(in)
	if err != nil {
		return im.done, fmt.Errorf("import: %w", err)
	}
	defer r.Close()
	for {
		line, err := r.Next()
		if err != nil {
			if perr := im.publish(ctx); perr != nil {
				return im.done, fmt.Errorf("import: %w", perr)
			}
			if err == io.EOF {
				return im.done, nil
			}
			return im.done, fmt.Errorf("import: %w", err)
		}
		im.add(&line)
		if len(im.batch) == importLines || im.held >= importBytes {
			if err := im.publish(ctx); err != nil {
				return im.done, fmt.Errorf("import: up to line %d: %w", line.Number, err)
			}
		}
	}
}

// add takes a line into the batch.
func (im *Importer) add(line *report.Line) {
	data := line.Data
	out := broker.Outgoing{Device: unreadableDevice, Received: im.newest}
	var rep *report.Report
	err := errors.New("too long")
	if room := im.broker.MaxReport(); line.Cut > 0 || len(data) > room {
		data = data[:min(len(data), room)]
	} else {
		rep, err = report.Parse(data)
	}
	if rep != nil && rep.Device != "" {
		out.Device = rep.Device
	}
	if err != nil {
		im.done.Unreadable++
	} else {
		received := rep.Received
		if received.Before(clockStart) {
			received = im.now()
		}
		if clockGood(rep.Time, received) && rep.Time.After(im.newest) {
			im.newest = rep.Time
		}
	}
	out.Payload = bytes.Clone(data)
	im.batch = append(im.batch, out)
	im.held += len(data)
	im.done.Bytes += int64(len(line.Data)) + int64(line.Cut) + 1
}

func (im *Importer) publish(ctx context.Context) error {
	if len(im.batch) == 0 {
		return nil
	}
	n := len(im.batch)
	seq, err := im.broker.PublishBatch(ctx, im.batch)
	clear(im.batch)
	im.batch, im.held = im.batch[:0], 0
	im.done.LastSeq = max(im.done.LastSeq, seq)
	if err != nil {
		return err
	}
	im.done.Reports += n
	if im.Progress != nil {
		im.Progress(im.done)
	}
	return nil
}
