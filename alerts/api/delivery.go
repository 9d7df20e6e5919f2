package api

import (
	"bytes"
	"context"

	"github.com/danielgtaylor/huma/v2"

	"marginline/alerts/delivery"
)

func deliveryRoutes(a huma.API, s Service) {
	op(a, "GET", "/deliveries", "list-deliveries", "delivery", "The newest events and what became of them", func(ctx context.Context, _ *struct{}) ([]delivery.Sent, error) {
		return s.Deliveries(ctx)
	})
	op(a, "GET", "/receivers", "list-receivers", "delivery", "Everyone that events go to, with their newest deliveries", func(ctx context.Context, _ *struct{}) ([]delivery.Receiver, error) {
		return s.Receivers(ctx)
	})
	op(a, "POST", "/deliveries/test", "test-delivery", "delivery", "Send a test message to one receiver, once; the answer says what came of it", func(ctx context.Context, in *struct {
		Body struct {
			By string `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			To string `json:"to" minLength:"1" maxLength:"400" doc:"the name of a receiver"`
		}
	}) (delivery.Sent, error) {
		return s.TestDelivery(ctx, in.Body.To, in.Body.By)
	})
	huma.Register(a, huma.Operation{OperationID: "get-calendar", Method: "GET", Path: Base + "/calendars/{depot}", Summary: "The visits of a depot as iCalendar (RFC 5545)", Tags: []string{"delivery"}, Errors: []int{404}},
		func(ctx context.Context, in *struct {
			Depot string `path:"depot"`
		}) (*plain, error) {
			var b bytes.Buffer
			if err := s.Calendar(ctx, &b, in.Depot); err != nil {
				return nil, problem(err)
			}
			return &plain{"text/calendar; charset=utf-8; method=PUBLISH", b.Bytes()}, nil
		})
}
