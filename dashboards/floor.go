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
	// Try says what would become of the plan if a job, or the order of one, came on a day; nothing is decided.
	Try(ctx context.Context, job string, day shop.Day, who, why string) (*schedule.Trial, error)
	// Move takes that day: the order is made where there is none.
	Move(ctx context.Context, job string, day shop.Day, who, why string) (*alerts.WorkOrder, error)
	Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error)
	Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error)
	Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error)
	Facts(ctx context.Context, unit string) ([]shop.Fact, error)
	TakeFact(ctx context.Context, f shop.Fact) (shop.Fact, error)
	ShopFile(ctx context.Context) (text string, version int, err error)
	Install(ctx context.Context, text, by string) (*shop.File, error)
	Review(ctx context.Context, from, until time.Time) (review.Review, error)
}
