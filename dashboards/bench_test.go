package dashboards_test

import (
	"bufio"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"rearguard/daemon/rearing/population"
	"rearguard/daemon/snapshot"
	"rearguard/dashboards"
	"rearguard/dashboards/dashtest"
	"rearguard/dashboards/web"
	"rearguard/sensors"
)

// large is a facility of 20 rooms, 500 sensors and 200 cohorts.
func large() *snapshot.Snapshot { return ofSize(500) }

// ofSize is such a facility with other numbers of sensors.
func ofSize(sensorsIn int) *snapshot.Snapshot {
	s := dashtest.Sample()
	room, sensor, cohort := s.Rooms[0], s.Sensors[0], s.Cohorts[0]
	s.Rooms, s.Sensors, s.Cohorts = nil, nil, nil
	for i := range 20 {
		room.ID = sensors.RoomID(fmt.Sprintf("room-%d", i))
		s.Rooms = append(s.Rooms, room)
	}
	for i := range sensorsIn {
		sensor.ID = sensors.SensorID(fmt.Sprintf("sensor-%d", i))
		sensor.Room = s.Rooms[i%20].ID
		s.Sensors = append(s.Sensors, sensor)
	}
	for i := range 200 {
		cohort.ID = population.CohortID(fmt.Sprintf("cohort-%d", i))
		cohort.Room = s.Rooms[i%20].ID
		s.Cohorts = append(s.Cohorts, cohort)
	}
	return s
}

// BenchmarkLargeFacility times one answer of each kind.
func BenchmarkLargeFacility(b *testing.B) {
	h, err := dashboards.Handler(dashtest.New(large()), "1", web.Options{Now: dashtest.Now, Wall: dashtest.Now})
	if err != nil {
		b.Fatal(err)
	}
	for _, path := range []string{"/", "/rooms/room-3", "/metrics", "/api/v1/cohorts", "/calendar.ics"} {
		b.Run(path, func(b *testing.B) {
			var size int
			for b.Loop() {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, http.NoBody))
				if w.Code != http.StatusOK {
					b.Fatalf("status %d", w.Code)
				}
				size = w.Body.Len()
			}
			b.ReportMetric(float64(size), "bytes/answer")
		})
	}
}

// BenchmarkOpenPages is one reading that changes while so many people have the
// overview of 2,000 sensors open, until all of them have been told. What matters
// is by how much twenty take longer than one.
func BenchmarkOpenPages(b *testing.B) {
	for _, people := range []int{1, 20} {
		b.Run(fmt.Sprint(people), func(b *testing.B) {
			f := dashtest.New(ofSize(2000))
			base, _ := serve(b, f, time.Minute)
			told := make(chan struct{}, people)
			for range people {
				response, err := http.Get(base + "/live?page=/")
				if err != nil {
					b.Fatal(err)
				}
				b.Cleanup(func() { response.Body.Close() })
				go func() {
					lines := bufio.NewScanner(response.Body)
					lines.Buffer(nil, 8<<20)
					for lines.Scan() {
						if lines.Text() == "event: update" {
							told <- struct{}{}
						}
					}
				}()
			}
			all := func() {
				for range people {
					<-told
				}
			}
			all()
			n := 0
			for b.Loop() {
				n++
				s := ofSize(2000)
				c := 20 + float64(n%100)/10
				s.Rooms[n%20].Temperature = &c
				f.Publish(s)
				all()
			}
		})
	}
}
