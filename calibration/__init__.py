"""What an instrument's reading is worth: uncertainty budgets, fits and due dates."""
