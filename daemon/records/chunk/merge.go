package chunk

import (
	"slices"

	"rearguard/sensors"
)

// Merger gives the readings of several columns in order of time. A Merger is
// for one goroutine; it reuses its room. The zero value is ready.
type Merger struct {
	list []*Columns
	at   []int
	// heap holds the index of each column that is not used up, the earliest
	// on top.
	heap []int
}

func (m *Merger) less(a, b int) bool {
	ta, tb := m.list[a].Time[m.at[a]], m.list[b].Time[m.at[b]]
	return ta < tb || ta == tb && a < b
}

// Each gives the readings of list, none of which may be empty; equal times are
// in the order of the list. It reports false when yield wants no more.
func (m *Merger) Each(list []*Columns, yield func(sensors.Reading) bool) bool {
	m.list, m.at, m.heap = list, slices.Grow(m.at[:0], len(list))[:len(list)], m.heap[:0]
	clear(m.at)
	for i := range list {
		m.heap = append(m.heap, i)
	}
	for i := len(m.heap) / 2; i >= 0; i-- {
		m.down(i)
	}
	for len(m.heap) > 0 {
		top := m.heap[0]
		c := list[top]
		if !yield(c.Reading(m.at[top])) {
			return false
		}
		if m.at[top]++; m.at[top] == c.Len() {
			last := len(m.heap) - 1
			m.heap[0] = m.heap[last]
			m.heap = m.heap[:last]
		}
		m.down(0)
	}
	return true
}

func (m *Merger) down(i int) {
	for {
		child := 2*i + 1
		if child >= len(m.heap) {
			return
		}
		if child+1 < len(m.heap) && m.less(m.heap[child+1], m.heap[child]) {
			child++
		}
		if !m.less(m.heap[child], m.heap[i]) {
			return
		}
		m.heap[i], m.heap[child] = m.heap[child], m.heap[i]
		i = child
	}
}
