package main

import (
	"context"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/alerts/delivery"
)

// freshFor is how old a happening may be and still be told: history that is taken in raises alerts in the
// past, of which nobody wants to be told now.
const freshFor = 48 * time.Hour

// tell puts what changed in the book into the outbox. Only a service tells; the commands of a quiet folder
// change the book without a word.
func (w *watch) tell(ctx context.Context, ch alerts.Changes) error {
	if !w.serving.Load() {
		return nil
	}
	return w.floor.tell(ctx, slices.Concat(ch.Raised, ch.Worsened, ch.Reopened, ch.Closed, ch.Withdrawn))
}

// tellMissed tells what the history of the last days holds and nobody was told: what happened while the service
// was down or was building its state, and what a crash left between the book and the outbox.
func (f *floor) tellMissed(ctx context.Context) error {
	ids, err := f.app.book.Since(ctx, f.app.now().Add(-freshFor))
	if err != nil {
		return err
	}
	return f.tell(ctx, ids)
}

// tell puts the fresh happenings of alerts into the outbox; what is in it stays as it is.
func (f *floor) tell(ctx context.Context, ids []string) error {
	now := f.app.now()
	news, err := f.news(ctx, ids)
	if err != nil {
		return err
	}
	for _, n := range news {
		bad := n.What == alerts.WasRaised || n.What == alerts.HasWorsened || n.What == alerts.WasReopened
		if now.Sub(n.At) > freshFor || bad && !n.Alert.State.Standing() {
			continue
		}
		e, err := delivery.NewEvent(n.What, n.Alert, n.At)
		if err != nil {
			return err
		}
		if err := f.app.outbox.Add(ctx, e); err != nil {
			return err
		}
	}
	return nil
}

// news are the happenings of alerts, each alert's in the order of its history.
func (f *floor) news(ctx context.Context, ids []string) ([]delivery.News, error) {
	var news []delivery.News
	for _, id := range ids {
		a, history, err := f.app.book.Get(ctx, id)
		if err != nil {
			return nil, err
		}
		for _, h := range history {
			if what := h.Happening(); what != "" {
				news = append(news, delivery.News{What: what, At: h.At, Alert: *a})
			}
		}
	}
	return news, nil
}
