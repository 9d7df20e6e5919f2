package api

import (
	"context"
	"errors"
	"io"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/alerts/review"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
)

// Service does the work. Its methods may be called from many goroutines at once; their errors wrap the
// sentinels of alerts and shop where a person can do something about them.
type Service interface {
	Alerts(ctx context.Context, all bool) ([]alerts.Alert, error)
	Alert(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error)
	Decide(ctx context.Context, id, verb, who, why string, until time.Time) (*alerts.Alert, error)
	Orders(ctx context.Context) ([]alerts.WorkOrder, error)
	Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error)
	Open(ctx context.Context, alert, who string, approved bool) (*alerts.WorkOrder, error)
	Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error)
	Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error)
	Sheet(ctx context.Context, id string) (string, error)
	Plan(ctx context.Context, days int, file *shop.File) (*schedule.Plan, error)
	Accept(ctx context.Context, job, who string) (*alerts.WorkOrder, error)
	Facts(ctx context.Context, unit string) ([]shop.Fact, error)
	TakeFact(ctx context.Context, f shop.Fact) (shop.Fact, error)
	ImportFacts(ctx context.Context, csv []byte, by string) (Imported, error)
	Retract(ctx context.Context, id, who, why string) error
	ShopFile(ctx context.Context) (text string, version int, err error)
	Install(ctx context.Context, text, by string) (*shop.File, error)
	Review(ctx context.Context, from, until time.Time) (review.Review, error)
	Readiness(ctx context.Context, unit string) (*alerts.Forecast, error)
	Records(ctx context.Context, unit string) (*Records, error)
	Calendar(ctx context.Context, w io.Writer, depot string) error
	TestDelivery(ctx context.Context, target, who string) (delivery.Sent, error)
	Receivers(ctx context.Context) ([]delivery.Receiver, error)
	Deliveries(ctx context.Context) ([]delivery.Sent, error)
}

// ErrForbidden is given where the role of whoever asks does not include it.
var ErrForbidden = errors.New("your role does not include this")

// Imported says what became of a file of facts.
type Imported struct {
	Added  int      `json:"added"`
	Known  int      `json:"known_before" doc:"rows that were taken before"`
	Errors []string `json:"errors" doc:"rows left out, one sentence each"`
}

// problem turns an error into Problem Details.
func problem(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, alerts.ErrNotFound), errors.Is(err, shop.ErrNotFound):
		return huma.Error404NotFound(err.Error())
	case errors.Is(err, alerts.ErrAmbiguous):
		return huma.Error400BadRequest(err.Error())
	case errors.Is(err, alerts.ErrTransition):
		return huma.Error409Conflict(err.Error())
	case errors.Is(err, ErrForbidden):
		return huma.Error403Forbidden(err.Error())
	}
	return huma.Error422UnprocessableEntity(err.Error())
}
