package lookback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"rearguard/daemon/fold"
	"rearguard/daemon/records"
	"rearguard/daemon/study"
)

// LoadLearning reads what was learned from the records.
func LoadLearning(ctx context.Context, reader *records.Reader) (*study.Learning, error) {
	l := &study.Learning{}
	body, err := reader.LoadState(ctx, fold.LearningName)
	if errors.Is(err, records.ErrNotFound) {
		return l, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(body, l); err != nil {
		return nil, fmt.Errorf("what was learned: %w", err)
	}
	return l, nil
}
