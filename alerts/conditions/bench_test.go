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
	for i := range b.N {
		_, memory = conditions.Evaluate(m.state(night.Add(time.Duration(i)*2*time.Second)), memory)
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
	for i := range b.N {
		_, memory = conditions.Evaluate(m.state(night.Add(time.Duration(i)*time.Minute)), memory)
	}
}
