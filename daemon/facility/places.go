package facility

import (
	"fmt"
	"slices"
	"time"

	"rearguard/sensors"
	"rearguard/sensors/payload"
	"rearguard/sensors/quality"
)

// Climate bounds what is expected of one quantity in a room, in the
// quantity's unit. A reading beyond Low to High is suspect, one beyond FailLow
// to FailHigh fails.
type Climate struct {
	Quantity sensors.Quantity `yaml:"quantity" rule:"need"`
	Low      float64          `yaml:"low" rule:"need"`
	High     float64          `yaml:"high" rule:"need"`
	FailLow  *float64         `yaml:"fail_low"`
	FailHigh *float64         `yaml:"fail_high"`
	// From and To are the first and the last day on which it holds, as
	// 2006-01-02 in the site's time zone; empty is unbounded.
	From string `yaml:"from"`
	To   string `yaml:"to"`
}

// validatePlace checks what a sensor says of where it is and of its past.
func (d *document) validatePlace(path string, s Sensor, f *Facility) {
	if s.Place.Outside() && s.Room != "" {
		d.Fault(path+".place", fmt.Sprintf("air of the place %s is not the air of a room", s.Place), "remove room: or place:")
	}
	if s.Place == sensors.Room && s.Room == "" {
		d.Fault(path+".place", "the room is missing", "add room:")
	}
	if s.Replaces != "" {
		d.validateReplaces(path+".replaces", s, f)
	}
	if s.Reports == OnChange && s.Interval == 0 && !s.tellsPresence() {
		d.Fault(path+".reports", "nothing would tell that this sensor has died: no message means no change",
			"add availability:, or interval: with the longest time between two of its messages")
	}
	a := s.Availability
	if a == nil || a.Topic == "" {
		return
	}
	at := path + ".availability"
	switch p := topicProblem(a.Topic); {
	case p != "":
		d.Fault(at+".topic", p, "write the one topic on which this sensor says whether it is there")
	case a.Topic == f.Broker.AvailabilityTopic:
		d.Fault(at+".topic", "this is rearguard's own availability topic", "write the one of this sensor")
	case a.Online != "" && a.Online == a.Offline:
		d.Fault(at, "online and offline are the same", "write what the sensor sends in each case")
	}
}

// tellsPresence reports whether the sensor, or its broker in its place, says
// whether it is there.
func (s *Sensor) tellsPresence() bool {
	return s.Retired || s.Availability != nil || slices.ContainsFunc(s.Inputs, func(in Input) bool {
		return in.Format == payload.Homie || in.Format == payload.Sparkplug
	})
}

func (d *document) validateReplaces(path string, s Sensor, f *Facility) {
	i := slices.IndexFunc(f.Sensors, func(o Sensor) bool { return o.ID == s.Replaces })
	switch {
	case s.Replaces == s.ID:
		d.Fault(path, "a sensor cannot replace itself", "write the id of the sensor that was there before")
	case i < 0:
		d.Fault(path, fmt.Sprintf("there is no sensor %q", s.Replaces), "keep the old sensor in the file with retired: true, so that its history keeps its place")
	case !f.Sensors[i].Retired:
		d.Fault(path, fmt.Sprintf("the sensor %s is replaced and not retired", s.Replaces), "add retired: true to it")
	case f.Sensors[i].Room != s.Room:
		d.Fault(path, fmt.Sprintf("the sensor %s was in another room", s.Replaces), "a position stays in its room; remove replaces:")
	}
	seen := map[sensors.SensorID]bool{s.ID: true}
	for at := s.Replaces; at != "" && at != s.ID; {
		seen[at] = true
		next := sensors.SensorID("")
		for _, o := range f.Sensors {
			if o.ID == at {
				next = o.Replaces
			}
		}
		if seen[next] {
			d.Fault(path, "the sensors replace each other in a circle", "remove one replaces:")
			return
		}
		at = next
	}
}

func (d *document) validateClimate(path string, rules []Climate) {
	for i, c := range rules {
		at := fmt.Sprintf("%s[%d]", path, i)
		if !d.Has(at+".low") || !d.Has(at+".high") {
			continue
		}
		switch {
		case c.Low >= c.High:
			d.Fault(at, fmt.Sprintf("low %g is not below high %g", c.Low, c.High), "exchange them")
		case c.FailLow != nil && *c.FailLow > c.Low:
			d.Fault(at+".fail_low", "fail_low lies above low", "a reading is suspect before it fails")
		case c.FailHigh != nil && *c.FailHigh < c.High:
			d.Fault(at+".fail_high", "fail_high lies below high", "a reading is suspect before it fails")
		case (c.FailLow == nil) != (c.FailHigh == nil):
			d.Fault(at, "fail_low and fail_high come together", "write both or none")
		}
		from, to := d.day(at+".from", c.From), d.day(at+".to", c.To)
		if !from.IsZero() && !to.IsZero() && to.Before(from) {
			d.Fault(at+".to", "to is before from", "exchange them")
		}
	}
}

// day reads a date, the zero time for none.
func (d *document) day(path, text string) time.Time {
	if text == "" {
		return time.Time{}
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		d.Fault(path, fmt.Sprintf("%q is not a date", text), "write for example 2026-05-14")
	}
	return day
}

// Expected returns what is expected of a quantity in the room, for the
// quality tests.
func (r Room) Expected(q sensors.Quantity, zone *time.Location) []quality.Climate {
	var out []quality.Climate
	for _, c := range r.Climate {
		if c.Quantity != q {
			continue
		}
		one := quality.Climate{Suspect: quality.Span{Low: c.Low, High: c.High}}
		if c.FailLow != nil && c.FailHigh != nil {
			one.Fail = quality.Span{Low: *c.FailLow, High: *c.FailHigh}
		}
		if day, err := time.ParseInLocation(time.DateOnly, c.From, zone); err == nil {
			one.From = day
		}
		if day, err := time.ParseInLocation(time.DateOnly, c.To, zone); err == nil {
			// The whole of the last day.
			one.To = day.AddDate(0, 0, 1).Add(-time.Millisecond)
		}
		out = append(out, one)
	}
	return out
}
