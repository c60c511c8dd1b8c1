package payload

import (
	"math"
	"strconv"
	"time"
)

// timeUnit is how a payload writes a time: the length of one tick of a Unix
// time, or zero for an RFC 3339 string.
type timeUnit time.Duration

const rfc3339 timeUnit = 0

func timeUnits() map[string]timeUnit {
	return map[string]timeUnit{
		"s":       timeUnit(time.Second),
		"ms":      timeUnit(time.Millisecond),
		"us":      timeUnit(time.Microsecond),
		"ns":      timeUnit(time.Nanosecond),
		"rfc3339": rfc3339,
	}
}

// lastSecond is the end of the year 9999, the last that RFC 3339 can write.
// It bounds times on both sides of 1970.
const lastSecond = 253402300799

// readTime reads t as a time. The reason is empty when it is one.
func readTime(t token, u timeUnit) (time.Time, string) {
	if t.kind != number && t.kind != text {
		return time.Time{}, t.complaint()
	}
	if u == rfc3339 {
		return readRFC3339(t.raw)
	}
	raw := trim(t.raw)
	// Nanoseconds since 1970 do not fit a float64, so whole numbers are read
	// as such.
	if n, err := strconv.ParseInt(string(raw), 10, 64); err == nil {
		perSecond := int64(time.Second) / int64(u)
		if n/perSecond > lastSecond || n/perSecond < -lastSecond {
			return time.Time{}, excerpt(raw) + " is outside the years 0 to 9999; is the unit right?"
		}
		return time.Unix(n/perSecond, n%perSecond*int64(u)).UTC(), ""
	}
	v, reason := parseNumber(raw)
	if reason != "" {
		return time.Time{}, reason
	}
	seconds := v * time.Duration(u).Seconds()
	if math.Abs(seconds) > lastSecond {
		return time.Time{}, excerpt(raw) + " is outside the years 0 to 9999; is the unit right?"
	}
	return unixSeconds(seconds), ""
}

// unixSeconds converts seconds since 1970, at most lastSecond, at microsecond
// resolution: a float64 of this size holds no more.
func unixSeconds(seconds float64) time.Time {
	whole, part := math.Modf(seconds)
	micros := math.Round(part * 1e6)
	return time.Unix(int64(whole), int64(micros)*1000).UTC()
}

func readRFC3339(raw []byte) (time.Time, string) {
	raw = trim(raw)
	if len(raw) > 40 {
		return time.Time{}, excerpt(raw) + " is no RFC 3339 time"
	}
	s := []byte(string(raw))
	// RFC 3339 section 5.6 allows a space or a small letter here.
	if len(s) > 10 && (s[10] == ' ' || s[10] == 't') {
		s[10] = 'T'
	}
	t, err := time.Parse(time.RFC3339Nano, string(s))
	if err != nil {
		return time.Time{}, excerpt(raw) + " is no RFC 3339 time (as in 2026-01-31T06:30:00Z, with its zone)"
	}
	return t.UTC(), ""
}
