package conditions_test

import (
	"encoding/json"
	"testing"
	"time"

	"rearguard/alerts/conditions"
)

func BenchmarkEvaluate(b *testing.B) {
	m := newModel(1)
	var memory conditions.RoomMemory
	rules := conditions.NewEvaluator(conditions.Definitions())
	in := m.state(night)
	for i := range b.N {
		in.Now = night.Add(time.Duration(i) * 2 * time.Second)
		_, memory = rules.Room(&in, memory)
	}
	text, err := json.Marshal(memory)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(len(text)), "bytes/memory")
}

func BenchmarkEvaluateEachMinute(b *testing.B) {
	m := newModel(1)
	var memory conditions.RoomMemory
	rules := conditions.NewEvaluator(conditions.Definitions())
	for i := range b.N {
		in := m.state(night.Add(time.Duration(i) * time.Minute))
		_, memory = rules.Room(&in, memory)
	}
}
