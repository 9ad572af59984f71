package outbound

import (
	"context"
	"errors"

	"tidegate/poct"
)

func (r *recordSystem) render(ctx context.Context, d poct.Delivery, patient string) ([]byte, Answered) {
	return nil, r.unrendered(d, errors.New("rendering has not landed"))
}
