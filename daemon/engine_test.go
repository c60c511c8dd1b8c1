package daemon

import (
	"fmt"
	"testing"
	"time"

	"rearguard/daemon/snapshot"
	"rearguard/daemon/timekeeping"
	"rearguard/sensors/desk"
)

func TestReadingsBecomeAirAndThermalTime(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	for m := range 24 * 60 {
		r.air(testStart.Add(time.Duration(m)*time.Minute), 25, 70)
	}
	last := testStart.Add(24*time.Hour - time.Minute)
	s := r.tick(last)
	if len(s.Cohorts) != 1 || len(s.Rooms) != 2 {
		t.Fatalf("%d cohorts and %d rooms", len(s.Cohorts), len(s.Rooms))
	}
	room := s.Rooms[0]
	if room.Blind || *room.Temperature != 25 || *room.Humidity != 70 || room.UsableSensors != 2 {
		t.Errorf("nursery: %+v", room)
	}
	if !s.Rooms[1].Blind || s.Rooms[1].Temperature != nil {
		t.Errorf("the hall has had no reading and is not blind: %+v", s.Rooms[1])
	}
	// 25 °C is 13.5 degrees above the monarch's threshold of 11.5 °C.
	want := 13.5 * (24*60 - 1) / (24 * 60)
	if got := s.Cohorts[0].ThermalTime; got < want-1e-9 || got > want+1e-9 {
		t.Errorf("thermal time %.12f, want %.12f", got, want)
	}
	if s.Cohorts[0].Estimated != 0 {
		t.Errorf("%.3f degree-days are estimated without a gap", s.Cohorts[0].Estimated)
	}
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	play := func(order func([]int) []int) *snapshot.Snapshot {
		r := newRig(t)
		r.monarchs(testStart)
		minutes := make([]int, 600)
		for i := range minutes {
			minutes[i] = i
		}
		arrival := testStart
		for _, m := range order(minutes) {
			at := testStart.Add(time.Duration(m) * time.Minute)
			body := fmt.Sprintf(`{"ts":%d,"t":%g,"h":70}`, at.Unix(), 20+float64(m%60)/100)
			arrival = desk.Later(arrival.Add(time.Millisecond), at)
			r.send("t/nursery/a", body, arrival)
			if m%7 == 0 {
				r.send("t/nursery/a", body, arrival)
			}
			r.ticks <- timekeeping.Right(arrival)
		}
		return r.tick(testStart.Add(11 * time.Hour))
	}
	inOrder := play(func(m []int) []int { return m })
	shuffled := play(func(m []int) []int {
		out := make([]int, 0, len(m))
		for i := 0; i < len(m); i += 50 {
			for j := min(i+50, len(m)) - 1; j >= i; j-- {
				out = append(out, m[j])
			}
		}
		return out
	})
	a, b := inOrder.Cohorts[0].ThermalTime, shuffled.Cohorts[0].ThermalTime
	if d := a - b; d < -1e-9 || d > 1e-9 || a == 0 {
		t.Errorf("thermal time in order %.12f, out of order %.12f", a, b)
	}
}

func TestClockSetBackStopsNothing(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart.Add(time.Hour)
	r.air(at, 25, 70)
	if s := r.tick(at); s.Rooms[0].Blind {
		t.Fatal("blind with fresh readings")
	}
	// The machine's clock is set back by half an hour. Twenty minutes later
	// the sensors, silent since, must have been missed.
	back := at.Add(-30 * time.Minute)
	r.ticks <- timekeeping.Right(back)
	s := r.tick(back.Add(20 * time.Minute))
	if !s.Rooms[0].Blind {
		t.Errorf("at %v, twenty minutes after the last reading, the room is not blind", s.Time)
	}
}

func TestRefusedMessageIsListedOnce(t *testing.T) {
	r := newRig(t)
	r.send("t/nursery/a", `{"ts":0,"t":25,"h":70}`, testStart)
	r.send("t/nursery/a", `{"ts":1,"t":25,"h":70}`, testStart.Add(time.Second))
	s := r.tick(testStart.Add(2 * time.Second))
	if len(s.Rejected) != 2 {
		t.Errorf("two messages from 1970 with two values each are listed as %d: %+v", len(s.Rejected), s.Rejected)
	}
}

func TestAlarmsThatAreOnComeFirst(t *testing.T) {
	r := newRig(t)
	r.monarchs(testStart)
	at := testStart
	minutes := func(n int, temperature float64) {
		for range n {
			at = at.Add(time.Minute)
			r.air(at, temperature, 70)
		}
		r.tick(at.Add(time.Second))
	}
	minutes(30, 25)
	minutes(30, 36)
	minutes(40, 25)
	r.send("t/hall/a", "21", at)
	// Heat is over, more urgent, and not acknowledged; silence is on.
	s := r.tick(at.Add(2 * time.Hour))
	active := true
	for _, a := range s.Alarms {
		if a.Active && !active {
			t.Fatalf("%s is on and stands below one that is over", a.Key)
		}
		active = a.Active
	}
	if n := len(s.Alarms); n < 2 || active || !s.Alarms[0].Active {
		t.Errorf("want alarms that are on and one that is over, got %d", n)
	}
}
