package api

import (
	"time"

	"marginline/alerts"
	"marginline/alerts/shop"
)

// Records are everything kept of one unit, for an auditor: what the roster says of it, its inspections,
// repairs and maintenance with their dates and nature, and every decision with who and when. What such a
// record needs under 49 CFR 396.3 (identification; nature and due date; date and nature of work) is among it;
// whether a unit is under that rule, and for how long records stay, is the carrier's to know.
type Records struct {
	MadeAt  time.Time         `json:"made_at"`
	Unit    map[string]string `json:"unit" doc:"the roster row, by column"`
	Service *ServiceDue       `json:"next_service" doc:"null where the roster does not tell"`
	Facts   []shop.Fact       `json:"facts" doc:"in force, the newest first"`
	Alerts  []AlertRecord     `json:"alerts"`
	Orders  []OrderRecord     `json:"orders"`
}

// ServiceDue is the next PM service.
type ServiceDue struct {
	Due    shop.Day `json:"due"`
	Reason string   `json:"reason"`
}

// AlertRecord is an alert with its history.
type AlertRecord struct {
	alerts.Alert
	History []alerts.AuditEntry `json:"history"`
}

// OrderRecord is a work order with its history.
type OrderRecord struct {
	alerts.WorkOrder
	History []alerts.OrderEntry `json:"history"`
	Steps   []alerts.Step       `json:"steps" doc:"possible now"`
}
