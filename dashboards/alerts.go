package dashboards

import "net/http"

type alertsPage struct {
	All   bool
	Rows  []alertRow
	Total int
	Pager pager
}

func (s *Server) alerts(w http.ResponseWriter, r *http.Request) error {
	p := alertsPage{All: r.FormValue("all") == "1"}
	list, err := s.deps.Book.List(r.Context(), p.All)
	if err != nil {
		return err
	}
	p.Total = len(list)
	list, p.Pager = paged(r, list, pageRows/2)
	p.Rows = s.rows(r.Context(), list, s.deps.Desk(r.Context()))
	return s.show(w, r, http.StatusOK, "alerts", view{Title: "Alerts", Nav: "alerts", Live: "*", Body: p})
}
