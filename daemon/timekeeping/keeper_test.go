package timekeeping

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// now is the true time at the start of a test.
func now() time.Time { return time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC) }

// world is a machine whose clocks a test turns.
type world struct {
	k       Keeper
	elapsed time.Duration
	// off is by how much the wall clock is ahead of the true time, own those of
	// the sensors.
	off         time.Duration
	own         []time.Duration
	disciplined bool
	steps       []Step
	last        Reading
}

func (w *world) true() time.Time { return now().Add(w.elapsed) }

func (w *world) look() Beat {
	return Beat{Wall: w.true().Add(w.off), Elapsed: w.elapsed, Disciplined: w.disciplined}
}

func (w *world) start(newest time.Duration) {
	w.last = w.k.Start(w.look(), now().Add(newest), "")
}

// pass lets time pass, and the keeper look.
func (w *world) pass(d time.Duration) {
	w.elapsed += d
	sights := make([]time.Duration, len(w.own))
	for i, own := range w.own {
		sights[i] = w.true().Add(own).Sub(w.k.At(w.elapsed))
	}
	w.last = w.k.Beat(w.look(), sights)
	if w.last.Step != nil {
		w.steps = append(w.steps, *w.last.Step)
	}
}

// err is by how much the believed time is ahead of the true one.
func (w *world) err() time.Duration { return w.last.Now.Sub(w.true()) }

const (
	hour = time.Hour
	day  = 24 * time.Hour
	year = 365 * day
)

func TestStart(t *testing.T) {
	for _, c := range []struct {
		name        string
		off         time.Duration
		newest      time.Duration
		disciplined bool
		own         []time.Duration
		// at once and after the sensors were heard.
		doubted, later bool
		err            time.Duration
	}{
		{"down for an hour", 0, -hour, false, nil, false, false, 0},
		{"down for six days", 0, -6 * day, false, nil, false, false, 0},
		{"down for a month", 0, -30 * day, false, nil, true, true, -30 * day},
		{"down for a month, a time server says so", 0, -30 * day, true, nil, false, false, 0},
		{"down for a month, a sensor says so", 0, -30 * day, false, []time.Duration{0}, true, false, 0},
		{"an hour before the records", -hour, -time.Minute, false, nil, true, true, -time.Minute},
		{"an hour before the records, a sensor says so", 0, hour, false, []time.Duration{0}, true, false, 0},
		{"a year ahead", year, -time.Minute, false, nil, true, true, -time.Minute},
		{"a year ahead, two sensors know", year, -day, false, []time.Duration{time.Second, -time.Second}, true, true, time.Second},
		{"a year ahead, one sensor says something else", year, -day, false, []time.Duration{3 * hour}, true, true, -day},
		{"two hours ahead, two sensors know", 2 * hour, -time.Minute, false, []time.Duration{0, 0}, false, true, 0},
		{"two hours ahead by a time server, two sensors say otherwise", 2 * hour, -time.Minute, true, []time.Duration{0, 0}, false, false, 2 * hour},
		{"right, and readings come late", 0, -time.Minute, false, []time.Duration{-20 * time.Minute, -20 * time.Minute}, false, false, 0},
		{"right, and one sensor is an hour ahead", 0, -time.Minute, false, []time.Duration{hour}, false, false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &world{off: c.off, disciplined: c.disciplined}
			w.start(c.newest)
			if got := w.last.Doubt != ""; got != c.doubted {
				t.Errorf("at the start doubted %v (%s), want %v", got, w.last.Doubt, c.doubted)
			}
			w.own = c.own
			w.pass(time.Minute)
			w.pass(time.Minute)
			if got := w.last.Doubt != ""; got != c.later {
				t.Errorf("later doubted %v (%s), want %v", got, w.last.Doubt, c.later)
			}
			if d := w.err() - c.err; d.Abs() > time.Second {
				t.Errorf("the believed time is %v off, want %v", w.err(), c.err)
			}
		})
	}
}

// A clock that was doubted when the program ended is doubted until something
// beside it agrees, also where it has come to be after the records meanwhile.
func TestDoubtOutlivesTheProgram(t *testing.T) {
	for _, c := range []struct {
		name        string
		off         time.Duration
		disciplined bool
		own         []time.Duration
		set         time.Duration
		// at once, after the sensors were heard, and once the clock was set.
		doubted, later, last bool
	}{
		{"nothing bears it out", 0, false, nil, 0, true, true, true},
		{"a time server does", 0, true, nil, 0, false, false, false},
		{"a sensor does", 0, false, []time.Duration{0}, 0, true, false, false},
		{"a sensor says otherwise until it is set", -10 * time.Minute, false, []time.Duration{0}, 0, true, true, false},
		{"it is set right", -10 * time.Minute, false, nil, 0, true, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &world{off: c.off, disciplined: c.disciplined}
			w.last = w.k.Start(w.look(), w.true().Add(c.off-time.Minute), "it said otherwise before")
			if got := w.last.Doubt != ""; got != c.doubted {
				t.Errorf("at the start doubted %v, want %v", got, c.doubted)
			}
			w.own = c.own
			w.pass(time.Minute)
			w.pass(time.Minute)
			if got := w.last.Doubt != ""; got != c.later {
				t.Errorf("later doubted %v (%s), want %v", got, w.last.Doubt, c.later)
			}
			w.off = c.set
			w.pass(time.Minute)
			if got := w.last.Doubt != ""; got != c.last {
				t.Errorf("once it was set doubted %v (%s), want %v", got, w.last.Doubt, c.last)
			}
			if !c.last && w.err().Abs() > time.Second {
				t.Errorf("the believed time is %v off", w.err())
			}
		})
	}
}

func TestFirstStart(t *testing.T) {
	for off, doubted := range map[time.Duration]bool{0: false, time.Unix(30, 0).Sub(now()): true} {
		w := &world{off: off}
		w.last = w.k.Start(w.look(), time.Time{}, "")
		w.pass(time.Second)
		if got := w.last.Doubt != ""; got != doubted || w.err() != off || len(w.steps) > 0 {
			t.Errorf("off by %v: doubted %v, believed %v", off, got, w.last.Now)
		}
		// Somebody sets the clock.
		w.off = 0
		w.pass(time.Second)
		if w.last.Doubt != "" || w.err() != 0 {
			t.Errorf("set right: %+v", w.last)
		}
	}
}

func TestMovedWhileRunning(t *testing.T) {
	for _, c := range []struct {
		name string
		// borneOut is set where the clock was so before.
		borneOut, disciplined bool
		own                   []time.Duration
		by                    time.Duration
		followed              bool
	}{
		{"a little", true, false, []time.Duration{0}, 50 * time.Second, true},
		{"by a time server", true, true, nil, -2 * hour, true},
		{"a year by a time server", true, true, nil, year, true},
		{"against two sensors", true, true, []time.Duration{0, 0}, 2 * hour, false},
		{"against one sensor", true, true, []time.Duration{0}, 2 * hour, true},
		{"what bore it out does no more", true, false, nil, 2 * hour, false},
		{"nothing ever bore it out", false, false, nil, 2 * hour, true},
		{"nothing ever bore it out, and so far is not plausible", false, false, nil, 20 * day, false},
		{"nothing ever bore it out, and back before the records", false, false, nil, -2 * day, false},
		{"a sensor disagrees", false, false, []time.Duration{0}, hour, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &world{disciplined: c.borneOut, own: c.own}
			w.start(-day)
			w.pass(time.Minute)
			w.disciplined, w.off = c.disciplined, c.by
			w.pass(time.Second)
			if followed := len(w.steps) == 1 && w.last.Doubt == ""; followed != c.followed || followed && w.err() != c.by || !followed && w.err() != 0 {
				t.Errorf("followed %v, %v off: %+v", followed, w.err(), w.last)
			}
			if settled := w.k.Settled(); settled && !c.followed {
				t.Error("what cannot be taken back may be done")
			}
			// Five seconds later it is as it was.
			w.pass(4 * time.Second)
			w.off = 0
			w.pass(time.Second)
			if w.last.Doubt != "" || w.err().Abs() > slewing && c.by.Abs() > minor {
				t.Errorf("put right, and %v off: %+v", w.err(), w.last)
			}
		})
	}
}

func TestAPersonConfirms(t *testing.T) {
	w := &world{off: -3 * hour, own: []time.Duration{0, 0}}
	w.start(-time.Minute)
	w.pass(time.Minute)
	if w.last.Doubt == "" {
		t.Fatal("three hours before the records and against two sensors, and not doubted")
	}
	w.k.Confirm()
	w.pass(time.Second)
	w.pass(hour)
	if w.last.Doubt != "" || w.err() != -3*hour || !w.k.Settled() {
		t.Errorf("confirmed, and %v off: %+v", w.err(), w.last)
	}
}

func TestSettledAfterADay(t *testing.T) {
	w := &world{}
	w.start(-hour)
	w.pass(23 * hour)
	if w.k.Settled() {
		t.Error("settled before a day has passed that nothing bears out")
	}
	w.pass(hour)
	if !w.k.Settled() {
		t.Error("not settled after a day without contradiction")
	}
}

// A clock that runs a little fast or slow is followed without a word.
func TestSlewing(t *testing.T) {
	for _, pace := range []time.Duration{-time.Millisecond, time.Millisecond} {
		w := &world{}
		w.start(-hour)
		for range 5000 {
			w.off += pace
			w.pass(time.Second)
		}
		if len(w.steps) > 0 || (w.err()-w.off).Abs() > time.Second {
			t.Errorf("%v off where the wall is %v off, after %v", w.err(), w.off, w.steps)
		}
	}
}

// Whatever the wall clock does: the believed time goes back only by a step, runs
// on while time passes, and with two sensors whose clocks are right it is never
// far from the truth for longer than it takes to hear them.
func TestBelievedTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &world{off: time.Duration(rapid.Int64Range(-int64(2*year), int64(2*year)).Draw(t, "off"))}
		honest := rapid.Bool().Draw(t, "two honest sensors")
		if honest {
			w.own = []time.Duration{0, time.Second}
		}
		w.start(-time.Duration(rapid.IntRange(0, 3*24*60).Draw(t, "down for minutes")) * time.Minute)
		newest := w.last.Now
		for range rapid.IntRange(1, 30).Draw(t, "beats") {
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				w.off = time.Duration(rapid.Int64Range(-int64(year), int64(year)).Draw(t, "off"))
			case 1:
				w.off += time.Duration(rapid.IntRange(-90_000, 90_000).Draw(t, "milliseconds")) * time.Millisecond
			case 2:
				w.off = 0
			}
			if rapid.Bool().Draw(t, "others ask") {
				if asked := w.k.At(w.elapsed); asked.Before(newest) {
					t.Fatalf("asked, it is %v after %v", asked, newest)
				} else {
					newest = asked
				}
			}
			before := len(w.steps)
			passed := time.Duration(rapid.IntRange(1, 120).Draw(t, "seconds")) * time.Second
			w.pass(passed)
			if len(w.steps) == before {
				if w.last.Now.Before(newest) {
					t.Fatalf("the time goes from %v back to %v without a step", newest, w.last.Now)
				}
				if w.last.Now.Sub(newest) > passed+slewing {
					t.Fatalf("the time goes from %v to %v in %v without a step", newest, w.last.Now, passed)
				}
			} else if step := w.steps[before]; !w.last.Now.Equal(step.To) || step.Why == "" {
				t.Fatalf("the step is %+v and the time %v", step, w.last.Now)
			}
			newest = w.last.Now
		}
		w.pass(time.Second)
		w.pass(time.Second)
		// Late readings look like a clock that is ahead by no more than mostLate.
		if off := w.err(); honest && (off < -agreeing-2*slewing || off > mostLate+agreeing) {
			t.Fatalf("two sensors know the time, and it is %v off: %+v", off, w.last)
		}
	})
}
