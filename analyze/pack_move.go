package analyze

import (
	"fmt"
	"reflect"
	"sync"
	"unsafe"
)

// A move brings one field, at a place in memory, into the record or out of it.
type move func(*record, unsafe.Pointer)

// moves are the moves by type.
var moves sync.Map // reflect.Type -> move

func moveOf(t reflect.Type, tag string) move {
	switch tag {
	case "-":
		return nil
	case "shared":
		return func(r *record, at unsafe.Pointer) {
			var n uint64
			if !r.out {
				n = r.number(valueOf(t, at))
			}
			r.varint(&n)
			if n == 0 {
				real64(r, at)
				return
			}
			if !r.out {
				return
			}
			if v := r.value(n); t.Kind() == reflect.Float64 {
				*(*uint64)(at) = v.(uint64)
			} else {
				reflect.NewAt(t, at).Elem().Set(reflect.ValueOf(v))
			}
		}
	}
	if m, ok := moves.Load(t); ok {
		return m.(move)
	}
	m := makeMove(t)
	moves.Store(t, m)
	return m
}

// valueOf is what lies at a place, as a key; of a float its bits, which tell NaNs and zeros apart.
func valueOf(t reflect.Type, at unsafe.Pointer) any {
	switch t.Kind() {
	case reflect.String:
		return *(*string)(at)
	case reflect.Float64:
		return *(*uint64)(at)
	}
	return reflect.NewAt(t, at).Elem().Interface()
}

func makeMove(t reflect.Type) move {
	switch t.Kind() {
	case reflect.Bool:
		return func(r *record, at unsafe.Pointer) { r.bit((*bool)(at)) }
	case reflect.Int:
		return whole[int]
	case reflect.Int8:
		return small[int8]
	case reflect.Int32:
		return whole[int32]
	case reflect.Uint8:
		return small[uint8]
	case reflect.Uint32:
		return whole[uint32]
	case reflect.Int64:
		return moment64
	case reflect.Float64:
		return real64
	case reflect.Float32:
		return func(r *record, at unsafe.Pointer) {
			f := float64(*(*float32)(at))
			real64(r, unsafe.Pointer(&f))
			*(*float32)(at) = float32(f)
		}
	case reflect.String:
		return text
	case reflect.Pointer:
		return pointer(t)
	case reflect.Slice:
		return slice(t)
	case reflect.Array:
		m, size, n := moveOf(t.Elem(), ""), t.Elem().Size(), t.Len()
		return orZero(t, func(r *record, at unsafe.Pointer) {
			for i := range n {
				m(r, unsafe.Add(at, uintptr(i)*size))
			}
		})
	case reflect.Struct:
		return structure(t)
	}
	panic(fmt.Sprintf("analyze: a state holds a %s, which cannot be packed", t))
}

// structure moves the fields one by one, and nothing but a bit where all are zero.
func structure(t reflect.Type) move {
	type field struct {
		m  move
		at uintptr
	}
	var fields []field
	for i := range t.NumField() {
		f := t.Field(i)
		if m := moveOf(f.Type, f.Tag.Get("rest")); m != nil {
			fields = append(fields, field{m, f.Offset})
		}
	}
	wakes := reflect.PointerTo(t).Implements(reflect.TypeFor[waker]())
	return orZero(t, func(r *record, at unsafe.Pointer) {
		for i := range fields {
			fields[i].m(r, unsafe.Add(at, fields[i].at))
		}
		if r.out && wakes {
			reflect.NewAt(t, at).Interface().(waker).wake()
		}
	})
}

// orZero spends one bit where all is zero.
func orZero(t reflect.Type, m move) move {
	zero := make([]byte, t.Size())
	return func(r *record, at unsafe.Pointer) {
		full := !r.out && string(unsafe.Slice((*byte)(at), t.Size())) != string(zero)
		if r.bit(&full); full {
			m(r, at)
		}
	}
}

// A waker works out what was not kept of it.
type waker interface{ wake() }

func pointer(t reflect.Type) move {
	var m move
	var once sync.Once
	return func(r *record, at unsafe.Pointer) {
		once.Do(func() { m = moveOf(t.Elem(), "") })
		p := (*unsafe.Pointer)(at)
		some := *p != nil
		if r.bit(&some); !some {
			return
		}
		if r.out {
			*p = reflect.New(t.Elem()).UnsafePointer()
		}
		m(r, *p)
	}
}

func slice(t reflect.Type) move {
	m, size := moveOf(t.Elem(), ""), t.Elem().Size()
	return func(r *record, at unsafe.Pointer) {
		v := reflect.NewAt(t, at).Elem()
		n := uint64(v.Len())
		r.varint(&n)
		if n == 0 {
			return
		}
		if r.out {
			v.Set(reflect.MakeSlice(t, int(n), int(n)))
		}
		first := v.Index(0).Addr().UnsafePointer()
		for i := range int(n) {
			r.forget()
			m(r, unsafe.Add(first, uintptr(i)*size))
		}
	}
}
