package sql

// An Arg is the value of one parameter. A value is nil, bool, int64, float64, string or time.Time.
type Arg struct {
	Name  string // "" = by place
	Value any
}

// A Request is one query with how it is to be run.
type Request struct {
	Query  string
	Args   []Arg
	Rows   int             // most rows to give; 0 = Config.MaxStream
	OnWait func(ahead int) // called when the query has to wait for its turn, and when that changes; may be nil
	OnPin  func(Pinned)    // called with the commit point of the state that the query sees, before its answer; may be nil
}

// A question is what a worker is asked.
type question struct {
	Query  string
	Names  []string // of the arguments
	Values []byte   // the arguments as a row
	Rows   int
	Shape  bool // only parameters and columns, no rows
}

func ask(r Request) (question, error) {
	q := question{Query: r.Query, Rows: r.Rows}
	var values []any
	for _, a := range r.Args {
		q.Names, values = append(q.Names, a.Name), append(values, a.Value)
	}
	var err error
	q.Values, err = appendRow(nil, values)
	return q, err
}

// given are the arguments as they were sent.
func (q *question) given() ([]Arg, error) {
	r := rowReader{b: q.Values}
	values := r.row()
	if r.err != nil || len(values) != len(q.Names) {
		return nil, errFrame
	}
	args := make([]Arg, len(values))
	for i, v := range values {
		args[i] = Arg{q.Names[i], v}
	}
	return args, nil
}
