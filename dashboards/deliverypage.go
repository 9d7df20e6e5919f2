package dashboards

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"marginline/alerts/delivery"
	"marginline/dashboards/people"
)

// Deliveries are where events go, and what became of them.
type Deliveries interface {
	Receivers(ctx context.Context) ([]delivery.Receiver, error)
	// TestDelivery sends a test message to one receiver, once; the error wraps alerts.ErrInput or alerts.ErrNotFound.
	TestDelivery(ctx context.Context, target, who string) (delivery.Sent, error)
}

type deliveryPage struct {
	Receivers []receiverRow
	Missing   []string // ways that are not set
	Tested    string   // the id of the test message that was just sent
	Who       signer
	Decide    bool
	Fault     string
}

type receiverRow struct {
	delivery.Receiver
	Word string
	Sent []sentRow
}

type sentRow struct {
	delivery.Sent
	When, Next moment
	What       string
	Words      string
	New        bool // the test message that was just sent
}

var wayWords = map[string]string{
	delivery.WayWebhook: "Webhook", delivery.WayMail: "E-mail", delivery.WayNATS: "NATS subject", delivery.WayCalendar: "Calendar feeds", delivery.WayFiles: "Files (CSV, XLSX)",
}

var eventWords = map[string]string{
	delivery.Raised: "alert raised", delivery.Worsened: "alert got worse", delivery.Reopened: "alert stands again", delivery.Closed: "alert closed",
	delivery.Withdrawn: "alert withdrawn", delivery.Daily: "daily digest", delivery.Test: "test message",
}

// deliveryRoutes add the page of deliveries.
func (s *Server) deliveryRoutes(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	if s.deps.Deliveries == nil {
		return
	}
	page("GET /delivery", func(w http.ResponseWriter, r *http.Request) error { return s.showDelivery(w, r, http.StatusOK, "") })
	page("POST /delivery/test", s.testDelivery)
}

func (s *Server) showDelivery(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	list, err := s.deps.Deliveries.Receivers(r.Context())
	if err != nil {
		return err
	}
	p := deliveryPage{Tested: r.FormValue("tested"), Who: signerOf(r), Decide: people.From(r.Context()).May(people.Decide), Fault: fault}
	set := map[string]bool{}
	for _, t := range list {
		set[t.Way] = true
		row := receiverRow{Receiver: t, Word: wayWords[t.Way]}
		for _, x := range t.Last {
			v := sentRow{Sent: x, When: moment{x.TriedAt, s.readersZone()}, Next: moment{x.NextAt, s.readersZone()}, What: eventWords[x.Type], New: p.Tested != "" && x.ID == p.Tested}
			if x.Tries == 0 {
				v.When = moment{x.Added, s.readersZone()}
			}
			v.Words = sentWords(x)
			row.Sent = append(row.Sent, v)
		}
		p.Receivers = append(p.Receivers, row)
	}
	if !set[delivery.WayWebhook] {
		p.Missing = append(p.Missing, "a webhook (webhook.url and webhook.secret)")
	}
	if !set[delivery.WayMail] {
		p.Missing = append(p.Missing, "e-mail (mail.server and mail.recipients)")
	}
	if !set[delivery.WayNATS] {
		p.Missing = append(p.Missing, "the NATS subject (broker.alert_age)")
	}
	return s.show(w, r, status, "delivery", view{Title: "Delivery", Nav: "settings", Body: p})
}

// sentWords say what became of a delivery.
func sentWords(x delivery.Sent) string {
	switch {
	case x.State == "taken":
		return "Arrived: " + x.Said
	case x.State == "failed" && x.Type == delivery.Test:
		return "Did not arrive: " + x.Error
	case x.State == "failed":
		return "Given up after " + plural(x.Tries, "try", "tries") + ": " + x.Error
	case x.State == "held":
		return "Held until quiet hours end"
	case x.Tries > 0:
		return "Failed " + plural(x.Tries, "time", "times") + ", is tried again: " + x.Error
	}
	return "Waits to be sent"
}

// testDelivery sends a test message and shows what came of it.
func (s *Server) testDelivery(w http.ResponseWriter, r *http.Request) error {
	who := strings.TrimSpace(whose(r))
	if who == "" {
		return s.showDelivery(w, r, http.StatusUnprocessableEntity, "Say who sends the test message.")
	}
	sent, err := s.deps.Deliveries.TestDelivery(r.Context(), r.PostFormValue("to"), who)
	if err != nil {
		if words, is := refusal(err); is {
			return s.showDelivery(w, r, http.StatusUnprocessableEntity, words)
		}
		return err
	}
	remember(w, r, who)
	http.Redirect(w, r, "/delivery?tested="+url.QueryEscape(sent.ID)+"#tested", http.StatusSeeOther)
	return nil
}
