"""Where a program spends its cycles and its stores."""
