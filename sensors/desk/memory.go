package desk

import (
	"encoding/json"
	"fmt"
)

// MemoryPrefix begins the names of what TakeMemory returns.
const MemoryPrefix = "desk/"

// outcomesName is where the counts of messages are kept.
const outcomesName = MemoryPrefix + "messages"

// TakeMemory gives each piece of what was learned from messages since the last
// call to keep, by a name of its own: it is to be stored together with the
// readings of these messages, which are acknowledged then and never come
// again. What is only worth storing beside something else is given when
// writing is set.
func (d *Desk) TakeMemory(writing bool, keep func(name string, body []byte)) error {
	if writing && d.intake.miscounted {
		body, err := json.Marshal(d.intake.outcomes)
		if err != nil {
			return fmt.Errorf("counts of messages: %w", err)
		}
		keep(outcomesName, body)
		d.intake.miscounted = false
	}
	return nil
}

// Recall puts back what was stored of TakeMemory, after everything of the past
// has been handled again.
func (d *Desk) Recall(memory map[string][]byte) error {
	if body, ok := memory[outcomesName]; ok {
		clear(d.intake.outcomes)
		if err := json.Unmarshal(body, &d.intake.outcomes); err != nil {
			return fmt.Errorf("counts of messages: %w", err)
		}
	}
	return nil
}
