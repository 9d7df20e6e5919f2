package dashboards

import (
	"marginline/alerts"
	"marginline/dashboards/people"
)

// A need is what a route asks of whoever calls it, once anybody has to sign in.
type need struct {
	open    bool           // nobody has to sign in
	self    bool           // anybody who has signed in: their own affairs
	may     people.Ability // one of these
	program bool           // an API key opens it too
}

var (
	forAll   = need{open: true}
	forSelf  = need{self: true}
	toLook   = need{may: people.Look}
	toSee    = need{may: people.Look | people.Work} // of its own depots, for a shop
	toQuery  = need{may: people.Query}
	toWork   = need{may: people.Work}
	toDecide = need{may: people.Decide}
	toManage = need{may: people.Manage}
)

func (n need) byProgram() need { n.program = true; return n }

// access says of every route who may use it. A route that is not here is not served: New fails.
var access = map[string]need{
	"GET /static/":                    forAll,
	"GET /sw.js":                      forAll,
	"GET /livez":                      forAll,
	"GET /readyz":                     forAll,
	"GET /sign-in":                    forAll,
	"POST /sign-in":                   forAll,
	"GET /sign-in/provider":           forAll,
	"GET /sign-in/back":               forAll,
	"POST /sign-out":                  forAll,
	"POST /view":                      forAll,
	"GET /":                           forSelf, // no such page
	"GET /help":                       forSelf,
	"GET /events":                     forSelf,
	"GET /account":                    forSelf,
	"POST /account/password":          forSelf,
	"POST /account/keys":              forSelf,
	"POST /account/keys/{key}/revoke": forSelf,

	"GET /{$}":                        toSee, // a shop is sent to its orders
	"GET /units":                      toLook,
	"GET /units/{unit}":               toSee,
	"GET /series/{unit}/{ecu}/{test}": toSee,
	"GET /series/{unit}/{ecu}/{test}/points.json":  toSee.byProgram(),
	"GET /series/{unit}/{ecu}/{test}/peers.json":   toLook.byProgram(), // other depots' units are among them
	"GET /series/{unit}/{ecu}/{test}/readings.csv": toSee.byProgram(),
	"GET /alerts":                   toLook,
	"GET /alerts/{id}":              toSee,
	"POST /alerts/{id}/{verb}":      toDecide,
	"GET /orders":                   toSee,
	"GET /orders/{id}":              toSee,
	"POST /orders/{id}/steps":       toWork,
	"GET /orders/{id}/outcome":      toWork,
	"POST /orders/{id}/outcome":     toWork,
	"GET /plan":                     toSee,
	"POST /plan/{job}":              toDecide,
	"POST /plan/{job}/move":         toDecide,
	"GET /shop":                     toSee,
	"POST /shop/facts":              toWork,
	"POST /shop/file":               toDecide,
	"GET /review":                   toLook,
	"GET /fleet":                    toLook,
	"GET /settings":                 toLook,
	"GET /quarantine":               toLook,
	"GET /quarantine/{id}":          toLook,
	"POST /quarantine/replay":       toDecide,
	"GET /find":                     toLook,
	"GET /help/columns":             toLook,
	"GET /sql":                      toQuery,
	"POST /sql":                     toQuery,
	"GET /sql/answer/{form}":        toQuery.byProgram(),
	"POST /sql/answer/{form}":       toQuery.byProgram(),
	"GET /sql/load":                 toQuery.byProgram(),
	"POST /sql/saved":               toQuery,
	"GET /metrics":                  toLook.byProgram(),
	"GET /delivery":                 toLook,
	"POST /delivery/test":           toDecide,
	"GET /alerts.csv":               toLook.byProgram(),
	"GET /alerts.xlsx":              toLook.byProgram(),
	"GET /orders.csv":               toSee.byProgram(),
	"GET /orders.xlsx":              toSee.byProgram(),
	"GET /units/{unit}/record.csv":  toLook.byProgram(),
	"GET /units/{unit}/record.xlsx": toLook.byProgram(),

	"GET /people":                           toManage,
	"POST /people":                          toManage,
	"POST /people/{name}/{verb}":            toManage,
	"POST /people/{name}/keys/{key}/revoke": toManage,

	"GET /api/v1/openapi.json":             toSee.byProgram(),
	"GET /api/v1/openapi.yaml":             toSee.byProgram(),
	"GET /api/v1/schemas/{schema}":         toSee.byProgram(),
	"GET /api/v1/alerts":                   toSee.byProgram(),
	"GET /api/v1/alerts/{id}":              toSee.byProgram(),
	"POST /api/v1/alerts/{id}/decisions":   toDecide.byProgram(),
	"GET /api/v1/orders":                   toSee.byProgram(),
	"POST /api/v1/orders":                  toDecide.byProgram(),
	"GET /api/v1/orders/{id}":              toSee.byProgram(),
	"GET /api/v1/orders/{id}/sheet":        toSee.byProgram(),
	"POST /api/v1/orders/{id}/steps":       toWork.byProgram(),
	"POST /api/v1/orders/{id}/outcomes":    toWork.byProgram(),
	"GET /api/v1/plan":                     toSee.byProgram(),
	"POST /api/v1/plan/what-if":            toDecide.byProgram(),
	"POST /api/v1/plan/{job}/accept":       toDecide.byProgram(),
	"GET /api/v1/shop/facts":               toSee.byProgram(),
	"POST /api/v1/shop/facts":              toWork.byProgram(),
	"POST /api/v1/shop/facts/import":       toDecide.byProgram(),
	"POST /api/v1/shop/facts/{id}/retract": toDecide.byProgram(),
	"GET /api/v1/shop/file":                toLook.byProgram(),
	"PUT /api/v1/shop/file":                toDecide.byProgram(),
	"GET /api/v1/review":                   toLook.byProgram(),
	"GET /api/v1/units/{unit}/readiness":   toSee.byProgram(),
	"GET /api/v1/units/{unit}/records":     toSee.byProgram(),
	"GET /api/v1/deliveries":               toLook.byProgram(),
	"GET /api/v1/receivers":                toLook.byProgram(),
	"POST /api/v1/deliveries/test":         toDecide.byProgram(),
	"GET /api/v1/calendars/{depot}":        toSee.byProgram(),
}

// ForStep is what a step of a work order asks for: a shop takes the visit through, and what binds the fleet is decided
// by those who may.
func ForStep(st alerts.Step) people.Ability {
	switch st {
	case alerts.StepSchedule, alerts.StepArrive, alerts.StepStart, alerts.StepWait, alerts.StepFinish, alerts.StepNoShow:
		return people.Work
	}
	return people.Decide
}
