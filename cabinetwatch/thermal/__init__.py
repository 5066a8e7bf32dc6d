"""The physics and statistics: response, derating, life, airflow, sound, humidity, trend. Pure."""
