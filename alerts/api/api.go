package api

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
)

// Base is where the API lives.
const Base = "/api/v1"

// Handler answers below Base.
func Handler(s Service, version string) http.Handler {
	mux, _ := routes(s, version)
	return mux
}

// Routes are the patterns of Handler, as http.ServeMux takes them: whoever serves it says of each who may use it.
func Routes() []string {
	_, a := routes(nil, "")
	list := []string{"GET " + Base + "/openapi.json", "GET " + Base + "/openapi.yaml", "GET " + Base + "/schemas/{schema}"}
	for path, item := range a.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{"GET": item.Get, "POST": item.Post, "PUT": item.Put, "DELETE": item.Delete, "PATCH": item.Patch} {
			if op != nil {
				list = append(list, method+" "+path)
			}
		}
	}
	slices.Sort(list)
	return list
}

func routes(s Service, version string) (http.Handler, huma.API) {
	mux := http.NewServeMux()
	cfg := huma.DefaultConfig("marginline", version)
	cfg.Info.Description = "Alerts, work orders, the plan and facts from the shop floor. No text of this API suggests clearing codes; defer to the vehicle maker's service information, local codes and licensed practice."
	cfg.OpenAPIPath, cfg.SchemasPath, cfg.DocsPath = Base+"/openapi", Base+"/schemas", ""
	cfg.CreateHooks = nil // no $schema in answers: they are the types, nothing more
	a := humago.New(mux, cfg)
	alertRoutes(a, s)
	orderRoutes(a, s)
	planRoutes(a, s)
	shopRoutes(a, s)
	unitRoutes(a, s)
	deliveryRoutes(a, s)
	return mux, a
}

// answer is a body of any type.
type answer[T any] struct{ Body T }

// ByID is an operation on one thing.
type ByID struct {
	ID string `path:"id" doc:"the id, or the beginning of it"`
}

// op registers an operation.
func op[I, O any](a huma.API, method, path, id, tag, summary string, do func(context.Context, *I) (O, error)) {
	huma.Register(a, huma.Operation{OperationID: id, Method: method, Path: Base + path, Summary: summary, Tags: []string{tag}, Errors: []int{400, 404, 409, 422}, SkipValidateBody: false},
		func(ctx context.Context, in *I) (*answer[O], error) {
			out, err := do(ctx, in)
			if err != nil {
				return nil, problem(err)
			}
			return &answer[O]{out}, nil
		})
}

func alertRoutes(a huma.API, s Service) {
	op(a, "GET", "/alerts", "list-alerts", "alerts", "Alerts, the most urgent first", func(ctx context.Context, in *struct {
		All bool `query:"all" doc:"every alert, not only the standing ones"`
	}) ([]alerts.Alert, error) {
		return s.Alerts(ctx, in.All)
	})
	op(a, "GET", "/alerts/{id}", "get-alert", "alerts", "One alert with its history", func(ctx context.Context, in *ByID) (AlertRecord, error) {
		x, history, err := s.Alert(ctx, in.ID)
		if err != nil {
			return AlertRecord{}, err
		}
		return AlertRecord{*x, history}, nil
	})
	op(a, "POST", "/alerts/{id}/decisions", "decide-alert", "alerts", "Acknowledge, explain, mute or close an alert", func(ctx context.Context, in *struct {
		ByID
		Body struct {
			Decision string    `json:"decision" enum:"acknowledge,explain,mute,close"`
			By       string    `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			Reason   string    `json:"reason,omitempty" maxLength:"2000"`
			Until    time.Time `json:"until,omitempty" doc:"when the decision ends by itself; needed for mute"`
		}
	}) (alerts.Alert, error) {
		x, err := s.Decide(ctx, in.ID, in.Body.Decision, in.Body.By, in.Body.Reason, in.Body.Until)
		if err != nil {
			return alerts.Alert{}, err
		}
		return *x, nil
	})
}

func orderRoutes(a huma.API, s Service) {
	whole := func(ctx context.Context, id string) (OrderRecord, error) {
		o, history, err := s.Order(ctx, id)
		if err != nil {
			return OrderRecord{}, err
		}
		return OrderRecord{*o, history, o.State.Steps()}, nil
	}
	op(a, "GET", "/orders", "list-orders", "orders", "Work orders, open ones first", func(ctx context.Context, _ *struct{}) ([]alerts.WorkOrder, error) {
		return s.Orders(ctx)
	})
	op(a, "POST", "/orders", "open-order", "orders", "Make a work order for an alert's unit, or propose one", func(ctx context.Context, in *struct {
		Body struct {
			Alert   string `json:"alert" minLength:"1"`
			By      string `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			Propose bool   `json:"propose,omitempty" doc:"the order waits for an approval"`
		}
	}) (OrderRecord, error) {
		o, err := s.Open(ctx, in.Body.Alert, in.Body.By, !in.Body.Propose)
		if err != nil {
			return OrderRecord{}, err
		}
		return whole(ctx, o.ID)
	})
	op(a, "GET", "/orders/{id}", "get-order", "orders", "One work order with its history and the steps that are possible", func(ctx context.Context, in *ByID) (OrderRecord, error) {
		return whole(ctx, in.ID)
	})
	op(a, "POST", "/orders/{id}/steps", "step-order", "orders", "Take a work order one step on", func(ctx context.Context, in *struct {
		ByID
		Body struct {
			Step       string    `json:"step" enum:"approve,schedule,arrive,start,wait,close,defer,cancel,no_show,release,reopen"`
			By         string    `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			Reason     string    `json:"reason,omitempty" maxLength:"2000"`
			Day        *shop.Day `json:"day,omitempty" doc:"for schedule, such as 2026-05-29"`
			Bay        string    `json:"bay,omitempty"`
			Technician string    `json:"technician,omitempty"`
			Service    bool      `json:"service,omitempty" doc:"together with the PM service"`
			Until      time.Time `json:"until,omitempty" doc:"for defer"`
		}
	}) (OrderRecord, error) {
		n := alerts.StepNote{Who: in.Body.By, Why: in.Body.Reason, Until: in.Body.Until}
		if in.Body.Day != nil {
			n.Slot = &alerts.Slot{Day: *in.Body.Day, Bay: in.Body.Bay, Technician: in.Body.Technician, Service: in.Body.Service}
		}
		o, err := s.Step(ctx, in.ID, alerts.Step(in.Body.Step), n)
		if err != nil {
			return OrderRecord{}, err
		}
		return whole(ctx, o.ID)
	})
	op(a, "POST", "/orders/{id}/outcomes", "finish-order", "orders", "Write the outcome of a visit; the same key again is the same outcome", func(ctx context.Context, in *struct {
		ByID
		Body outcomeBody
	}) (OrderRecord, error) {
		o, err := s.Finish(ctx, in.ID, in.Body.outcome())
		if err != nil {
			return OrderRecord{}, err
		}
		return whole(ctx, o.ID)
	})
	huma.Register(a, huma.Operation{OperationID: "get-sheet", Method: "GET", Path: Base + "/orders/{id}/sheet", Summary: "The sheet for the shop as plain text, safety first", Tags: []string{"orders"}, Errors: []int{404}},
		func(ctx context.Context, in *ByID) (*plain, error) {
			text, err := s.Sheet(ctx, in.ID)
			if err != nil {
				return nil, problem(err)
			}
			return &plain{"text/plain; charset=utf-8", []byte(text)}, nil
		})
}

type plain struct {
	ContentType string `header:"Content-Type"`
	Body        []byte
}

// outcomeBody is an outcome as a technician sends it.
type outcomeBody struct {
	Key          string    `json:"key" minLength:"1" maxLength:"100" doc:"made by the sender"`
	At           time.Time `json:"at" doc:"when the work ended"`
	By           string    `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
	Found        string    `json:"found" enum:"found,nothing,other,not_tested"`
	Complaint    string    `json:"complaint,omitempty" maxLength:"4000"`
	Cause        string    `json:"cause,omitempty" maxLength:"4000"`
	Correction   string    `json:"correction,omitempty" maxLength:"4000"`
	Other        string    `json:"other,omitempty" maxLength:"4000" doc:"what else was found"`
	Hours        *float64  `json:"hours,omitempty" minimum:"0" maximum:"999"`
	Parts        string    `json:"parts,omitempty" maxLength:"4000"`
	CodesCleared bool      `json:"codes_cleared"`
	Reprogrammed bool      `json:"reprogrammed"`
	OdometerKm   *float64  `json:"odometer_km,omitempty" minimum:"0"`
}

func (b *outcomeBody) outcome() alerts.Outcome {
	return alerts.Outcome{Key: b.Key, At: b.At, Who: b.By, Found: alerts.Found(b.Found), Complaint: b.Complaint, Cause: b.Cause, Correction: b.Correction, Other: b.Other,
		Hours: b.Hours, Parts: b.Parts, CodesCleared: &b.CodesCleared, Reprogrammed: &b.Reprogrammed, OdometerKm: b.OdometerKm}
}

// Ahead is how far to plan, in days.
type Ahead struct {
	Days int `query:"days" minimum:"1" maximum:"366" default:"84"`
}

func planRoutes(a huma.API, s Service) {
	op(a, "GET", "/plan", "get-plan", "plan", "When each unit should come in, with the reasons and the clashes", func(ctx context.Context, in *Ahead) (*schedule.Plan, error) {
		return s.Plan(ctx, in.Days, nil)
	})
	op(a, "POST", "/plan/what-if", "what-if", "plan", "The plan with another shop file; changes nothing", func(ctx context.Context, in *struct {
		Ahead
		Body shop.File
	}) (*schedule.Plan, error) {
		f, err := in.Body.Checked()
		if err != nil {
			return nil, err
		}
		return s.Plan(ctx, in.Days, f)
	})
	op(a, "POST", "/plan/{job}/accept", "accept-proposal", "plan", "Take the proposal for a job: makes its work order and fixes the day", func(ctx context.Context, in *struct {
		Job  string `path:"job"`
		Body struct {
			By string `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
		}
	}) (*alerts.WorkOrder, error) {
		return s.Accept(ctx, in.Job, in.Body.By)
	})
}

func shopRoutes(a huma.API, s Service) {
	op(a, "GET", "/shop/facts", "list-facts", "shop", "Facts from the shop floor, the newest first", func(ctx context.Context, in *struct {
		Unit string `query:"unit"`
	}) ([]shop.Fact, error) {
		return s.Facts(ctx, in.Unit)
	})
	op(a, "POST", "/shop/facts", "add-fact", "shop", "One fact: service, repair, clear, reflash, dongle, part, report or needed", func(ctx context.Context, in *struct{ Body factBody }) (shop.Fact, error) {
		return s.TakeFact(ctx, in.Body.fact())
	})
	op(a, "POST", "/shop/facts/import", "import-facts", "shop", "Facts from a CSV file; the same file again changes nothing", func(ctx context.Context, in *struct {
		By      string `query:"by" maxLength:"100" doc:"who; whoever signed in goes first"`
		RawBody []byte `contentType:"text/csv"`
	}) (Imported, error) {
		return s.ImportFacts(ctx, in.RawBody, in.By)
	})
	op(a, "POST", "/shop/facts/{id}/retract", "retract-fact", "shop", "Take back a fact that was wrong; it stays with the reason", func(ctx context.Context, in *struct {
		ByID
		Body struct {
			By     string `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			Reason string `json:"reason" minLength:"1" maxLength:"2000"`
		}
	}) (done, error) {
		return done{true}, s.Retract(ctx, in.ID, in.Body.By, in.Body.Reason)
	})
	op(a, "GET", "/shop/file", "get-shop-file", "shop", "The shop file in force", func(ctx context.Context, _ *struct{}) (fileText, error) {
		text, version, err := s.ShopFile(ctx)
		return fileText{text, version}, err
	})
	op(a, "PUT", "/shop/file", "put-shop-file", "shop", "Put a shop file in force (YAML, as text)", func(ctx context.Context, in *struct {
		Body struct {
			By   string `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
			Text string `json:"text" maxLength:"1000000"`
		}
	}) (*shop.File, error) {
		return s.Install(ctx, in.Body.Text, in.Body.By)
	})
}

type done struct {
	Done bool `json:"done"`
}

type fileText struct {
	Text    string `json:"text"`
	Version int    `json:"version"`
}

// factBody is a fact as it is sent.
type factBody struct {
	Kind        string     `json:"kind" enum:"service,repair,clear,reflash,dongle,part,report,needed"`
	Unit        string     `json:"unit,omitempty" maxLength:"100"`
	Depot       string     `json:"depot,omitempty" maxLength:"100"`
	At          time.Time  `json:"at"`
	By          string     `json:"by,omitempty" maxLength:"100" doc:"who; whoever signed in goes first"`
	Text        string     `json:"text,omitempty" maxLength:"4000"`
	Level       string     `json:"level,omitempty" maxLength:"20"`
	Family      string     `json:"family,omitempty" maxLength:"100"`
	Symptom     string     `json:"symptom,omitempty" maxLength:"100"`
	Device      string     `json:"device,omitempty" maxLength:"64"`
	Part        string     `json:"part,omitempty" maxLength:"200"`
	Quantity    *float64   `json:"quantity,omitempty" minimum:"0"`
	OdometerKm  *float64   `json:"odometer_km,omitempty" minimum:"0"`
	EngineHours *float64   `json:"engine_hours,omitempty" minimum:"0"`
	Until       *time.Time `json:"until,omitempty"`
}

func (b *factBody) fact() shop.Fact {
	return shop.Fact{Kind: shop.Kind(b.Kind), Unit: b.Unit, Depot: b.Depot, At: b.At, By: b.By, Text: b.Text, Level: b.Level, Family: b.Family, Symptom: b.Symptom,
		Device: b.Device, Part: b.Part, Quantity: b.Quantity, OdometerKm: b.OdometerKm, EngineHours: b.EngineHours, Until: b.Until}
}

func unitRoutes(a huma.API, s Service) {
	op(a, "GET", "/review", "get-review", "review", "What the alerts of a stretch of time were worth, with counts and intervals", func(ctx context.Context, in *struct {
		From  time.Time `query:"from" required:"true"`
		Until time.Time `query:"until" required:"true"`
	}) (review.Review, error) {
		return s.Review(ctx, in.From, in.Until)
	})
	type unit struct {
		Unit string `path:"unit"`
	}
	op(a, "GET", "/units/{unit}/readiness", "get-readiness", "units", "Whether the unit will be ready for its inspection after a clear; null when nothing was cleared", func(ctx context.Context, in *unit) (*alerts.Forecast, error) {
		return s.Readiness(ctx, in.Unit)
	})
	op(a, "GET", "/units/{unit}/records", "get-records", "units", "Everything kept of one unit, for an auditor", func(ctx context.Context, in *unit) (*Records, error) {
		return s.Records(ctx, strings.TrimSpace(in.Unit))
	})
}
