package dashboards

import (
	"context"
	"time"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
)

// Floor is what the pages of the shop need: the plan, the steps of a work order, facts, and the review.
type Floor interface {
	Plan(ctx context.Context, days int, file *shop.File) (*schedule.Plan, error)
	Accept(ctx context.Context, job, who string) (*alerts.WorkOrder, error)
	Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error)
	Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error)
	Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error)
	Facts(ctx context.Context, unit string) ([]shop.Fact, error)
	TakeFact(ctx context.Context, f shop.Fact) (shop.Fact, error)
	ShopFile(ctx context.Context) (text string, version int, err error)
	Install(ctx context.Context, text, by string) (*shop.File, error)
	Review(ctx context.Context, from, until time.Time) (review.Review, error)
}
