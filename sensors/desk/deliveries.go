package desk

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"time"

	"rearguard/sensors"
)

// deliveries tell a message that the broker sends again, since it never heard
// the acknowledgement, from a new one. Where messages carry a time of their own
// that shows by itself; where not, the broker's packet identifier and the same
// content do: for each identifier it is remembered what was last taken under
// it. That is stored with the readings, so that a kill between the commit and
// the acknowledgement doubles none.
type deliveries struct {
	pages map[uint16]*deliveryPage
	dirty map[uint16]bool
	// lately are the digests of messages that must come again after a kill, and
	// are known until then, by packet identifier.
	lately map[uint16]uint64
}

// deliveryPage are the digests of neighbouring packet identifiers, which a
// broker gives out in order; stored together.
type deliveryPage [pagePackets]uint64

const pagePackets = 64

// deliveriesName begins the names under which pages are kept.
const deliveriesName = MemoryPrefix + "delivered/"

func newDeliveries() deliveries {
	return deliveries{pages: make(map[uint16]*deliveryPage), dirty: make(map[uint16]bool), lately: make(map[uint16]uint64)}
}

// digest stands for a message. A broker that has forgotten the session gives
// out identifiers anew, so what was known of them before it did counts no more.
func digest(m *sensors.Message, lost time.Time) uint64 {
	h := fnv.New64a()
	for _, part := range [...]string{m.Topic, string(m.Payload), fmt.Sprint(lost.UnixMilli())} {
		_, _ = h.Write([]byte(part)) // never fails
		_, _ = h.Write([]byte{0})
	}
	return h.Sum64()
}

// repeated reports whether a message was taken already.
func (d *deliveries) repeated(m *sensors.Message, lost time.Time) bool {
	if !m.Again || m.Packet == 0 {
		return false
	}
	sum, page := digest(m, lost), d.pages[m.Packet/pagePackets]
	return d.lately[m.Packet] == sum || page != nil && page[m.Packet%pagePackets] == sum
}

// note remembers that a message was taken, for good or until the program ends.
func (d *deliveries) note(m *sensors.Message, lost time.Time, forGood bool) {
	if m.Packet == 0 {
		return
	}
	if !forGood {
		d.lately[m.Packet] = digest(m, lost)
		return
	}
	delete(d.lately, m.Packet)
	n := m.Packet / pagePackets
	page := d.pages[n]
	if page == nil {
		page = &deliveryPage{}
		d.pages[n] = page
	}
	page[m.Packet%pagePackets] = digest(m, lost)
	d.dirty[n] = true
}

// keepMemory gives the pages that have changed to keep.
func (d *deliveries) keepMemory(keep func(name string, body []byte)) {
	for n := range d.dirty {
		body := make([]byte, 0, 8*pagePackets)
		for _, digest := range d.pages[n] {
			body = binary.BigEndian.AppendUint64(body, digest)
		}
		keep(fmt.Sprintf("%s%d", deliveriesName, n), body)
	}
	clear(d.dirty)
}

// recall takes up the pages that were stored.
func (d *deliveries) recall(memory map[string][]byte) {
	for n := range uint16(1 << 16 / pagePackets) {
		body := memory[fmt.Sprintf("%s%d", deliveriesName, n)]
		if len(body) != 8*pagePackets {
			continue
		}
		page := &deliveryPage{}
		for i := range page {
			page[i] = binary.BigEndian.Uint64(body[8*i:])
		}
		d.pages[n] = page
	}
}
