package dashboards

import (
	"net/http"

	"marginline/alerts"
)

// help explains margin, drift and dates in plain words.
func (s *Server) help(w http.ResponseWriter, r *http.Request) error {
	var list []class
	for _, c := range [...]alerts.Consequence{alerts.Stop, alerts.RoadCall, alerts.Compliance, alerts.Cost, alerts.Note} {
		list = append(list, classOf(c))
	}
	return s.show(w, r, http.StatusOK, "help", view{Title: "How this works", Nav: "help", Body: list})
}
