package main

import (
	"context"
	"io"

	"marginline/ingest"
)

// importLines takes recorded reports through the log and waits until all of them are committed. progress,
// when given, is told how many are in the log.
func (a *app) importLines(ctx context.Context, in io.Reader, progress func(reports int)) (ingest.Imported, error) {
	im := ingest.NewImporter(a.broker)
	if progress != nil {
		im.Progress = func(n ingest.Imported) { progress(n.Reports) }
	}
	done, err := im.Import(ctx, in)
	if done.LastSeq > 0 {
		if waitErr := a.consumer.Committed(ctx, done.LastSeq); err == nil {
			err = waitErr
		}
	}
	return done, err
}
