"""What Kilter prints: verification record, reports, label sheets, due list. Drawn with Qt into PDF bytes."""
