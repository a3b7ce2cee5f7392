package cutlist

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Bounds of a JSON tree from a stranger.
const (
	maxJSONDepth  = 200
	maxJSONValues = 2_000_000
)

// parseTree reads one JSON value (RFC 8259) into maps, slices, strings,
// json.Numbers, bools and nil, with bounds on depth and count.
func parseTree(text, name string) (any, error) {
	t := treeReader{dec: json.NewDecoder(strings.NewReader(text))}
	t.dec.UseNumber()
	v, err := t.value(0)
	if err == nil {
		if _, more := t.dec.Token(); !errors.Is(more, io.EOF) {
			err = fmt.Errorf("something stands after the end")
		}
	}
	if err == nil {
		return v, nil
	}
	at := min(int(t.dec.InputOffset()), len(text))
	place := fmt.Sprintf("line %d", 1+bytes.Count([]byte(text[:at]), []byte("\n")))
	var e *fault.Error
	if errors.As(err, &e) {
		return nil, e.In(name, place)
	}
	return nil, fault.New(fault.Malformed, "this is not JSON").In(name, place).Because(err).Mended("export the list again")
}

type treeReader struct {
	dec    *json.Decoder
	values int
}

func (t *treeReader) value(depth int) (any, error) {
	tok, err := t.dec.Token()
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	if t.values++; t.values > maxJSONValues || depth > maxJSONDepth {
		return nil, fault.New(fault.OverLimit, "more than %d values, or nested deeper than %d", maxJSONValues, maxJSONDepth).
			Mended("hand over the picture track alone")
	}
	switch tok {
	case json.Delim('{'):
		return t.object(depth)
	case json.Delim('['):
		list := []any{}
		for t.dec.More() {
			v, err := t.value(depth + 1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := t.dec.Token()
		return list, err
	}
	return tok, nil
}

func (t *treeReader) object(depth int) (any, error) {
	m := map[string]any{}
	for t.dec.More() {
		key, err := t.dec.Token()
		if err != nil {
			return nil, err
		}
		v, err := t.value(depth + 1)
		if err != nil {
			return nil, err
		}
		m[key.(string)] = v // the decoder gives nothing but strings as keys
	}
	_, err := t.dec.Token()
	return m, err
}

// node is an object of the tree with its path, for those who must find it.
type node struct {
	path string
	m    map[string]any
}

// child is the object in a field; false when it is null, absent or no object.
func (n node) child(field string) (node, bool) {
	m, ok := n.m[field].(map[string]any)
	return node{n.path + "." + field, m}, ok
}

// children are the objects in a list field. What is no object has a nil map.
func (n node) children(field string) []node {
	list, _ := n.m[field].([]any)
	out := make([]node, len(list))
	for i, v := range list {
		m, _ := v.(map[string]any)
		out[i] = node{fmt.Sprintf("%s.%s[%d]", n.path, field, i), m}
	}
	return out
}

func (n node) text(field string) string {
	s, _ := n.m[field].(string)
	return s
}

// schema is the object's type without its version: "Clip" of "Clip.2".
func (n node) schema() string {
	s, _, _ := strings.Cut(n.text("OTIO_SCHEMA"), ".")
	return s
}

// number is a JSON number exactly. Beyond ±10^12, or finer than 10^-30, it is
// no time of a film.
func (n node) number(field string) (*big.Rat, error) {
	v, ok := n.m[field].(json.Number)
	if !ok {
		return nil, fmt.Errorf("%s.%s is not a number", n.path, field)
	}
	bad := fmt.Errorf("%s.%s: %s is out of range", n.path, field, clip(v.String()))
	if f, err := strconv.ParseFloat(v.String(), 64); err != nil || f > 1e12 || f < -1e12 || len(v) > 60 {
		return nil, bad
	}
	if _, exp, has := strings.Cut(strings.ToLower(v.String()), "e"); has {
		if e, err := strconv.Atoi(exp); err != nil || e > 30 || e < -30 {
			return nil, bad
		}
	}
	x, ok := new(big.Rat).SetString(v.String())
	if !ok {
		return nil, bad
	}
	return x, nil
}

// seconds reads a RationalTime, value/rate seconds, exactly.
func (r *otioReader) seconds(n node, field string) (*big.Rat, error) {
	t, ok := n.child(field)
	if !ok || t.schema() != "RationalTime" {
		return nil, fmt.Errorf("%s.%s is not a RationalTime", n.path, field)
	}
	value, err := t.number("value")
	if err != nil {
		return nil, err
	}
	rate, err := t.number("rate")
	if err != nil {
		return nil, err
	}
	if rate.Cmp(slowestRate) < 0 || rate.Cmp(fastestRate) > 0 {
		return nil, fmt.Errorf("%s.rate is not between %s and %s", t.path, slowestRate.RatString(), fastestRate.RatString())
	}
	x := value.Quo(value, exactRate(rate, r.a.Rate))
	if new(big.Rat).Abs(x).Cmp(longest) > 0 {
		return nil, fmt.Errorf("%s is longer than %s seconds", t.path, longest.RatString())
	}
	return x, nil
}

// Bounds of a time: a rate may be that of sound, no film is longer.
var (
	slowestRate = big.NewRat(1, 100)
	fastestRate = big.NewRat(1_000_000, 1)
	longest     = big.NewRat(10_000_000, 1) // seconds
)

// exactRate is the ratio that a decimal rate stands for: files hold 23.976 or
// 23.976023976023978 where 24000/1001 is meant. A rate within two millionths
// of the reference's is the reference's.
func exactRate(rate *big.Rat, own timecode.Rate) *big.Rat {
	within := func(x, tolerance *big.Rat) bool {
		d := new(big.Rat).Sub(rate, x)
		return d.Abs(d).Cmp(tolerance) <= 0
	}
	o := big.NewRat(own.Num, own.Den)
	if within(o, new(big.Rat).Mul(o, big.NewRat(2, 1_000_000))) {
		return o
	}
	if !rate.IsInt() {
		for _, n := range []int64{24, 30, 48, 60, 120} {
			// 23.98 is 0.004 away from 24000/1001, and no other rate is near
			if x := big.NewRat(n*1000, 1001); within(x, big.NewRat(5, 1000)) {
				return x
			}
		}
	}
	return rate
}

// timeRange reads a TimeRange: start and duration in seconds.
func (r *otioReader) timeRange(n node) (start, duration *big.Rat, err error) {
	if n.schema() != "TimeRange" {
		return nil, nil, fmt.Errorf("%s is not a TimeRange", n.path)
	}
	if start, err = r.seconds(n, "start_time"); err != nil {
		return nil, nil, err
	}
	if duration, err = r.seconds(n, "duration"); err != nil {
		return nil, nil, err
	}
	if duration.Sign() < 0 {
		return nil, nil, fmt.Errorf("%s.duration is negative", n.path)
	}
	return start, duration, nil
}
