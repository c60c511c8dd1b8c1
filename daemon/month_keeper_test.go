package daemon_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/facility"
	"rearguard/daemon/fold"
	"rearguard/daemon/rearing/population"
	"rearguard/daemon/rearing/species"
	"rearguard/daemon/rehearsal"
	"rearguard/daemon/snapshot"
	"rearguard/daemon/study"
	"rearguard/sensors"
	"rearguard/sensors/calibration"
)

// keeper is what the people of the month remember.
type keeper struct {
	shelved, maintained alerts.Key
	counted             int
}

const (
	mara = "Mara"
	ines = "Ines"
)

// storyDays are the days on which the demo's story is told again, with cohorts
// of its own.
var storyDays = [...]int{0, 9, 20}

// storyTimes is when it is told; the last time the month ends in the midst of
// the troubles.
var storyTimes = [...]time.Duration{day(0, 0), day(9, 0), day(20, 0), day(29, 18.5)}

// unhurried is the pace of people who go by no call: what is wrong harms.
var unhurried = rehearsal.Pace{Fill: 6 * time.Hour, Isolate: 7 * time.Hour, Repair: 8*time.Hour + 30*time.Minute, Battery: 14 * time.Hour}

// named is the name of the demo's cohort on a story day.
func named(id population.CohortID, storyDay int) population.CohortID {
	if storyDay == 0 {
		return id
	}
	return population.CohortID(fmt.Sprintf("%s-day-%d", id, storyDay))
}

// plan is everything of the month that has a time of its own.
func (m *month) plan() []turn {
	turns := append(m.brokerTurns(), m.technicianTurns()...)
	for _, begin := range storyTimes {
		for _, one := range rehearsal.Story(unhurried) {
			turns = append(turns, turn{begin + one.At, func() { m.house.Do(one) }})
		}
	}
	for _, d := range storyDays {
		for _, one := range rehearsal.Rounds() {
			turns = append(turns, turn{day(d, 0) + one.At, func() { m.enterRound(one, d) }})
		}
		if d > 0 {
			turns = append(turns, turn{day(d, -1), func() { m.enterCohorts(d) }})
		}
	}
	for i, one := range []struct {
		day     int
		species species.ID
		stage   species.StageID
		room    sensors.RoomID
	}{
		{2, "attacus-atlas", "egg", "nursery"}, {4, "pieris-brassicae", "egg", "nursery"}, {5, "vanessa-cardui", "egg", "larva-hall"},
		{11, "heliconius-charithonia", "egg", "nursery"}, {14, "bombyx-mori", "egg", "nursery"}, {16, "papilio-machaon", "egg", "nursery"},
		{18, "manduca-sexta", "egg", "flight-hall"}, {23, "siproeta-stelenes", "pupa", "pupa-room"}, {25, "greta-oto", "egg", "nursery"},
		{25, "actias-luna", "larva-1", "larva-hall"}, {26, "idea-leuconoe", "pupa", "emergence"}, {28, "morpho-peleides", "egg", "nursery"},
	} {
		turns = append(turns, turn{day(one.day, 3), func() {
			start := m.house.Now().Add(-3 * time.Hour)
			m.do(fold.AddCohort{Who: mara, Cohort: population.Cohort{
				ID: population.CohortID(fmt.Sprintf("extra-%d", i)), Species: one.species, Start: start, StartStage: one.stage, Individuals: 50 + 10*i,
				Placements: []population.Placement{{Room: one.room, From: start}},
			}})
		}})
	}
	return inOrder(turns)
}

// enter enters the cohorts as the demo does.
func (m *month) enter(begin time.Time) {
	for _, f := range rehearsal.FinishedCohorts(begin) {
		m.do(fold.AddCohort{Cohort: f.Cohort, Who: mara})
		for _, count := range f.Counts {
			m.do(fold.RecordCount{Count: count})
		}
		m.do(fold.EndCohort{Cohort: f.Cohort.ID, At: f.Ended, Who: mara})
	}
	m.enterCohorts(0)
}

func (m *month) enterCohorts(storyDay int) {
	for _, cohort := range rehearsal.Cohorts(monthBegin.Add(day(storyDay, 0))) {
		cohort.ID = named(cohort.ID, storyDay)
		m.do(fold.AddCohort{Cohort: cohort, Who: mara})
	}
}

func (m *month) enterRound(r rehearsal.Round, storyDay int) {
	s := m.engine.Snapshot()
	r.Count.Cohort = named(r.Count.Cohort, storyDay)
	if !r.Undo {
		r.Count.Time = s.Time
		m.do(fold.RecordCount{Count: r.Count})
		return
	}
	for _, c := range s.Cohorts {
		if c.ID == r.Count.Cohort && len(c.Counts) > 0 {
			m.do(fold.UndoCount{Count: c.Counts[0].ID, Who: r.Count.By})
		}
	}
}

// keep is the keeper's day.
func (m *month) keep(now time.Time) {
	today := int(now.Sub(monthBegin) / (24 * time.Hour))
	s := m.engine.Snapshot()
	switch now.Format("15:04") {
	case "08:30":
		m.countSome(s, today)
	case "09:15":
		m.acknowledgeSome(s)
	case "10:00", "12:00", "15:30":
		m.silence(s, now.Hour(), today)
	case "16:00":
		m.moveAlong(s)
	case "17:00":
		m.endDone(s)
	}
}

// countSome counts every third cohort each day as the forecast has it, rounded
// to whole animals, with a loss now and then.
func (m *month) countSome(s *snapshot.Snapshot, today int) {
	causes := []string{"dried out", "parasitoid", "stuck skin", "fallen"}
	for i, c := range s.Cohorts {
		if (i+today)%3 != 0 || c.Individuals < 5 {
			continue
		}
		m.counted++
		largest := slices.MaxFunc(c.Stages, func(a, b snapshot.StageShare) int { return cmp.Compare(a.Share, b.Share) })
		count := population.Count{
			Cohort: c.ID, Time: s.Time.Add(-time.Duration(m.counted%4) * 20 * time.Minute), Stage: largest.Stage, By: mara,
			Of: c.Individuals, Seen: int(math.Round(largest.Share * float64(c.Individuals))),
		}
		if count.Time.Before(c.Start) {
			continue
		}
		if m.counted%4 == 0 && count.Seen < count.Of {
			count.Lost, count.Of, count.Cause = 1, count.Of-1, causes[m.counted/4%len(causes)]
		}
		if m.counted%6 == 0 && strings.HasPrefix(string(largest.Stage), "larva") {
			count.LengthMM = 8 * float64(largest.Stage[len(largest.Stage)-1]-'0')
		}
		m.do(fold.RecordCount{Count: count})
	}
}

// acknowledgeSome takes on every second call.
func (m *month) acknowledgeSome(s *snapshot.Snapshot) {
	n := 0
	for _, a := range s.Alarms {
		if a.State != alerts.Unacknowledged && a.State != alerts.Returned {
			continue
		}
		if n++; n%2 == 1 {
			m.do(fold.Order{Verb: alerts.Acknowledge, Key: a.Key, Who: ines})
		}
	}
}

// silence uses the ways to keep an alarm quiet, each on days of its own.
func (m *month) silence(s *snapshot.Snapshot, hour, today int) {
	first := func(not ...alerts.Key) (alerts.Key, bool) {
		for _, a := range s.Alarms {
			if a.Active && (a.State == alerts.Unacknowledged || a.State == alerts.Acknowledged) && !slices.Contains(not, a.Key) {
				return a.Key, true
			}
		}
		return alerts.Key{}, false
	}
	var none alerts.Key
	switch hour {
	case 10:
		if key, ok := first(m.maintained); ok && today%3 != 1 {
			m.shelved = key
			m.do(fold.Order{Verb: alerts.Shelve, Key: key, Who: ines, For: 5 * time.Hour, Reason: "waiting for a part"})
		}
		if key, ok := first(m.shelved); ok && today%3 == 1 {
			m.maintained = key
			m.do(fold.Order{Verb: alerts.TakeOut, Key: key, Who: ines, Reason: "under repair"})
		}
	case 12:
		if m.shelved != none && today%2 == 0 {
			m.do(fold.Order{Verb: alerts.Unshelve, Key: m.shelved, Who: ines})
		}
		m.shelved = none
	case 15:
		if m.maintained != none && today%3 != 1 {
			m.do(fold.Order{Verb: alerts.Return, Key: m.maintained, Who: ines})
			m.maintained = none
		}
	}
}

// moveAlong puts cohorts into the room of their stage.
func (m *month) moveAlong(s *snapshot.Snapshot) {
	rooms := map[string]sensors.RoomID{"egg": "nursery", "larva": "larva-hall", "pupa": "pupa-room"}
	for _, c := range s.Cohorts {
		kind, _, _ := strings.Cut(string(c.Stage), "-")
		want, ok := rooms[kind]
		if kind == "pupa" && c.StageProgress > 0.6 {
			want = "emergence"
		}
		at := s.Time.Add(-40 * time.Minute)
		if ok && c.Room != want && c.Room != "flight-hall" && at.After(c.Start.Add(time.Hour)) {
			m.do(fold.MoveCohort{Cohort: c.ID, Room: want, At: at, Who: mara})
		}
	}
}

// keptFor is how long most cohorts stay; then they are given away.
const keptFor = 13 * 24 * time.Hour

// keeps are the species that are reared to the end.
func keeps(id species.ID) bool {
	return slices.Contains([]species.ID{"caligo-memnon", "attacus-atlas", "manduca-sexta", "papilio-polytes"}, id)
}

// endDone closes cohorts of which nearly all have emerged, and those given
// away.
func (m *month) endDone(s *snapshot.Snapshot) {
	for _, c := range s.Cohorts {
		if !keeps(c.Species) && s.Time.Sub(c.Start) > keptFor {
			m.do(fold.EndCohort{Cohort: c.ID, At: s.Time.Add(-time.Hour), Who: mara})
			continue
		}
		for _, share := range c.Stages {
			if share.Stage == "adult" && share.Share > 0.97 {
				m.do(fold.EndCohort{Cohort: c.ID, At: s.Time.Add(-time.Hour), Who: mara})
			}
		}
	}
}

// technicianTurns are the sensors' part of the month, and what is made of the
// finished cohorts.
func (m *month) technicianTurns() []turn {
	eggs := study.Key{Species: "danaus-plexippus", Stage: "egg", Until: "larva-1"}
	taught := func(key study.Key) int {
		n := 0
		for _, o := range m.engine.Snapshot().Learning.Observations {
			if o.Key() == key {
				n++
			}
		}
		return n
	}
	return []turn{
		{day(2, 5), func() {
			m.do(fold.AdoptConstants{Key: eggs, Fit: study.Corrected, Observations: taught(eggs), Who: ines})
		}},
		{day(12, 2), func() {
			m.claim("flight-floor")
		}},
		{day(17, 4), func() { m.do(fold.StartBench{Sensor: "larva-east", Quantity: sensors.Temperature, Who: ines}) }},
		{day(17, 6), func() { m.do(fold.LeaveBench{Sensor: "larva-east", Who: ines}) }},
		{day(18, 4), m.benchIce},
		{day(19, 4), m.benchSalts},
		{day(20, 3.5), func() { m.do(fold.Calibrate{Certificate: m.shifted("pupa-floor", 2.5), Who: ines}) }},
		{day(21, 4), func() {
			m.do(fold.ReapplyCalibration{Sensor: "pupa-floor", Quantity: sensors.Temperature, From: monthBegin.Add(day(16, 0)), Who: ines})
		}},
		{day(23, 5), func() { m.do(fold.RefuseConstants{Key: eggs, Observations: taught(eggs), Who: ines}) }},
		{day(25, 5), func() {
			m.do(fold.AdoptConstants{Key: eggs, Fit: study.Corrected, Observations: taught(eggs), Who: ines})
		}},
		{day(28, 4), func() { m.do(fold.Calibrate{Certificate: m.shifted("flight-canopy", 0.2), Who: ines}) }},
		{day(29, 12), func() { m.do(fold.StartBench{Sensor: "pupa-rack", Quantity: sensors.Temperature, Who: ines}) }},
		// After the last checkpoint: a restart must begin without it.
		{day(monthDays, 0) + 5*time.Minute, func() {
			m.claim("nursery-window")
		}},
	}
}

func (m *month) claim(id sensors.SensorID) {
	m.config.claimed = append(m.config.claimed, id)
	f := m.facility()
	i := slices.IndexFunc(f.Sensors, func(s facility.Sensor) bool { return s.ID == id })
	m.do(fold.ClaimSensor{Sensor: f.Sensors[i], Who: ines})
}

// shifted is a certificate by which a sensor shows so many degrees too much.
func (m *month) shifted(id sensors.SensorID, by float64) calibration.Certificate {
	at := m.house.Now().Add(-time.Hour)
	result, err := calibration.OnePoint(calibration.ReferencePoint("reference thermometer", 25, 0.1, calibration.Measurement{
		From: at.Add(-10 * time.Minute), To: at, N: 20, Mean: 25 + by, StdDev: 0.01, Resolution: 0.01, Stable: true,
	}))
	if err != nil {
		m.t.Fatal(err)
	}
	c, err := calibration.NewCertificate("", sensors.Series{Sensor: id, Quantity: sensors.Temperature}, ines, result, time.Time{}, time.Time{},
		calibration.Instrument{Name: "reference thermometer", Serial: "11", Certificate: "K-7"})
	if err != nil {
		m.t.Fatal(err)
	}
	return c
}

// bench lets a sensor report every minute what it shows on the bench, while
// the house goes on without it.
func (m *month) bench(topic string, minutes int, celsius, percent float64) {
	m.benched = map[string]bool{topic: true}
	for i := range minutes {
		at := m.last.Add(time.Minute)
		for !m.house.Now().Add(rehearsal.ReportEvery).After(at) {
			m.round()
		}
		at = at.Truncate(time.Second)
		var l lantern
		l.TS, l.Air.T, l.Air.RH = at.UnixMilli(), celsius+float64(i%2)/100, percent
		if at.After(m.last) {
			m.last = at
		}
		m.send(topic, l.String(), false)
		m.tick(at.Add(time.Second))
	}
	m.benched = nil
}

// benchIce calibrates a thermometer in ice water.
func (m *month) benchIce() {
	const topic = "lantern/nursery/lower"
	m.do(fold.StartBench{Sensor: "nursery-lower", Quantity: sensors.Temperature, Who: ines})
	m.bench(topic, 14, 0.3, 80)
	m.do(fold.ReadBench{Sensor: "nursery-lower", Who: ines, Reference: calibration.Reference{Kind: calibration.ReferenceIce}})
	m.do(fold.FinishBench{Sensor: "nursery-lower", Who: ines, Note: "yearly"})
}

// benchSalts calibrates a hygrometer over two salts.
func (m *month) benchSalts() {
	const topic = "lantern/emergence/cage"
	salt := func(s calibration.Salt) fold.ReadBench {
		return fold.ReadBench{Sensor: "emergence-cage", Who: ines, Reference: calibration.Reference{
			Kind: calibration.ReferenceSalt, Salt: s, Celsius: 25, CelsiusError: 0.5,
		}}
	}
	m.do(fold.StartBench{Sensor: "emergence-cage", Quantity: sensors.RelativeHumidity, Who: ines})
	m.bench(topic, 34, 25, 34.5)
	m.do(salt(calibration.MagnesiumChloride))
	m.bench(topic, 34, 25, 74.5)
	m.do(salt(calibration.SodiumChloride))
	m.do(fold.FinishBench{Sensor: "emergence-cage", Who: ines})
}
