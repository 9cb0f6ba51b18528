"""What was found in the field to history, safely kept."""
