package delivery

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// A Webhook posts events to one address.
type Webhook struct {
	url    string
	signer *standardwebhooks.Webhook
	client *http.Client
	now    func() time.Time
}

// NewWebhook checks the secret (whsec_ and base64, as the specification writes it).
func NewWebhook(address, secret string) (*Webhook, error) {
	s, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		return nil, fmt.Errorf("secret: %w", err)
	}
	return &Webhook{url: address, signer: s, client: &http.Client{Timeout: 15 * time.Second}, now: time.Now}, nil
}

// Target is the webhook as a receiver of every event.
func (w *Webhook) Target() Target {
	where := w.url
	if u, err := url.Parse(w.url); err == nil { // what may be secret stays out
		where = u.Scheme + "://" + u.Host + u.Path
	}
	return Target{Name: WayWebhook, Way: WayWebhook, Where: where, When: "every event, at once", Channel: w}
}

// Send posts an event; the error says why the receiver did not take it. A retry has the same id and a new
// time. A receiver that answers 410 wants no more, as the specification says.
func (w *Webhook) Send(ctx context.Context, e Event, _ time.Time) (string, error) {
	body, err := json.Marshal(e)
	if err != nil {
		return "", err
	}
	now := w.now()
	sign, err := w.signer.Sign(e.ID, now, body)
	if err != nil {
		return "", fmt.Errorf("webhook: sign: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(body))
	if err != nil {
		return "", fmt.Errorf("webhook: %w", err)
	}
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("webhook-id", e.ID)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	req.Header.Set("webhook-signature", sign)
	res, err := w.client.Do(req)
	if err != nil {
		return "", fmt.Errorf("webhook: %w", err)
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10)) // the answer is read so that the connection can be used again
	switch {
	case res.StatusCode == http.StatusGone:
		return "", fmt.Errorf("webhook: the receiver answered %s: %w", res.Status, ErrRefused)
	case res.StatusCode/100 != 2:
		return "", fmt.Errorf("webhook: the receiver answered %s", res.Status)
	}
	return "the receiver answered " + res.Status, nil
}
