package fleetsim

const (
	demoUnits = 48
	demoDays  = 120
)

// A staging is what a scenario is made of.
type staging struct {
	recipes []recipe
	random  bool
	stage   func(c Config, p *play, weather []*climate)
}

// script gives the staging of a Config's scenario.
func script(c Config) staging {
	return staging{recipes: mixed(c), random: true, stage: func(Config, *play, []*climate) {}}
}
